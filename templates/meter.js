// Loudness and peak of audio, measured in the reader's browser. An
// implementation of its own: nothing here comes from the program that made the
// page. Classic script.
(function () {
  "use strict";
  const Evenhand = globalThis.Evenhand;

  // The K filter, designed for the rate: a shelf and a high-pass.
  // Source: ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2; the analogue
  // parameters are those that give the printed coefficients at 48 kHz. The printed
  // numerator of the high-pass, 1, −2, 1, belongs to 48 kHz: at another rate it is
  // scaled, so that the pass band stays what it is there.
  function kFilter(rate) {
    const k = Math.tan(Math.PI * 1681.974450955533 / rate), q = .7071752369554196;
    const vh = Math.pow(10, 3.999843853973347 / 20), vb = Math.pow(vh, .4996667741545416), a = 1 + k / q + k * k;
    const r = .5003270373238773, pass = rate => Math.tan(Math.PI * 38.13547087602444 / rate), whole = c => 1 + c / r + c * c;
    const c = pass(rate), d = whole(c), n = whole(pass(48000)) / d;
    return [
      [(vh + vb * k / q + k * k) / a, 2 * (k * k - vh) / a, (vh - vb * k / q + k * k) / a, 2 * (k * k - 1) / a, (1 - k / q + k * k) / a],
      [n, -2 * n, n, 2 * (c * c - 1) / d, (1 - c / r + c * c) / d],
    ];
  }

  // A meter takes blocks of channels in order. A single channel counts once.
  function Meter(rate, channels) {
    const [s, h] = kFilter(rate), memory = Array.from({ length: channels }, () => [0, 0, 0, 0]);
    const hops = []; // Σ y² of each complete 100 ms, over all channels
    let sum = 0, frames = 0, next = Math.floor(rate / 10), peak = 0;
    const edge = i => Math.floor(i * rate / 10);
    return {
      write(block) {
        for (let at = 0, n = block[0].length; at < n;) {
          const to = Math.min(n, at + next - frames);
          for (let c = 0; c < channels; c++) {
            const x = block[c];
            let [p, q, u, v] = memory[c];
            for (let i = at; i < to; i++) {
              const a = x[i], y = s[0] * a + p, z = h[0] * y + u;
              p = s[1] * a - s[3] * y + q; q = s[2] * a - s[4] * y;
              u = h[1] * y - h[3] * z + v; v = h[2] * y - h[4] * z;
              sum += z * z;
              if (a > peak) peak = a; else if (-a > peak) peak = -a;
            }
            memory[c] = [p, q, u, v];
          }
          frames += to - at;
          at = to;
          if (frames === next) { hops.push(sum); sum = 0; next = edge(hops.length + 1); }
        }
      },
      // Integrated loudness in LUFS; −Infinity below the gate.
      integrated() {
        const blocks = [];
        for (let i = 4; i <= hops.length; i++) blocks.push((hops[i - 4] + hops[i - 3] + hops[i - 2] + hops[i - 1]) / (edge(i) - edge(i - 4)));
        const lufs = p => -.691 + 10 * Math.log10(p);
        const mean = list => list.reduce((a, b) => a + b, 0) / list.length;
        const loud = blocks.filter(p => lufs(p) > -70);
        if (!loud.length) return -Infinity;
        const gate = lufs(mean(loud)) - 10;
        return lufs(mean(loud.filter(p => lufs(p) > gate)));
      },
      peak: () => 20 * Math.log10(peak), // dBFS
      frames: () => frames,
    };
  }

  const channelsOf = buffer => Array.from({ length: buffer.numberOfChannels }, (_, c) => buffer.getChannelData(c));

  Object.assign(Evenhand, { Meter, channelsOf });
})();
