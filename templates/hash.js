// SHA-256 (FIPS 180-4): browsers offer their own only on https. Classic script;
// everything hangs on the one global object Evenhand.
(function (root) {
  "use strict";
  const Evenhand = root.Evenhand = root.Evenhand || {};

  const K = new Uint32Array(64), H0 = new Uint32Array(8);
  (function () {
    let n = 0;
    const part = x => (x - Math.floor(x)) * 4294967296 >>> 0;
    for (let p = 2; n < 64; p++) {
      let prime = true;
      for (let d = 2; d * d <= p; d++) if (p % d === 0) prime = false;
      if (!prime) continue;
      if (n < 8) H0[n] = part(Math.sqrt(p));
      K[n++] = part(Math.cbrt(p));
    }
  })();

  function sha256(bytes) {
    const h = H0.slice(), w = new Uint32Array(64);
    const tail = new Uint8Array(bytes.length % 64 < 56 ? 64 : 128);
    const whole = bytes.length - bytes.length % 64;
    tail.set(bytes.subarray(whole));
    tail[bytes.length - whole] = 0x80;
    const view = new DataView(tail.buffer);
    view.setUint32(tail.length - 8, Math.floor(bytes.length / 536870912));
    view.setUint32(tail.length - 4, bytes.length << 3);
    const block = (data, o) => {
      for (let i = 0; i < 16; i++, o += 4) w[i] = data[o] << 24 | data[o + 1] << 16 | data[o + 2] << 8 | data[o + 3];
      for (let i = 16; i < 64; i++) {
        const a = w[i - 15], b = w[i - 2];
        w[i] = w[i - 16] + w[i - 7] + ((a >>> 7 | a << 25) ^ (a >>> 18 | a << 14) ^ a >>> 3) + ((b >>> 17 | b << 15) ^ (b >>> 19 | b << 13) ^ b >>> 10);
      }
      let [a, b, c, d, e, f, g, x] = h;
      for (let i = 0; i < 64; i++) {
        const t = x + ((e >>> 6 | e << 26) ^ (e >>> 11 | e << 21) ^ (e >>> 25 | e << 7)) + (e & f ^ ~e & g) + K[i] + w[i] | 0;
        const u = ((a >>> 2 | a << 30) ^ (a >>> 13 | a << 19) ^ (a >>> 22 | a << 10)) + (a & b ^ a & c ^ b & c) | 0;
        x = g; g = f; f = e; e = d + t | 0; d = c; c = b; b = a; a = t + u | 0;
      }
      h[0] += a; h[1] += b; h[2] += c; h[3] += d; h[4] += e; h[5] += f; h[6] += g; h[7] += x;
    };
    for (let o = 0; o < whole; o += 64) block(bytes, o);
    for (let o = 0; o < tail.length; o += 64) block(tail, o);
    return Array.from(h, v => v.toString(16).padStart(8, "0")).join("");
  }

  Evenhand.sha256 = sha256;
})(globalThis);
