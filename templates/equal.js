// What a reader can hear of two takes: one equalised to the other, and what is left then.
// Classic script, loaded with the first such button; never heard in a blind test.
(function () {
  "use strict";
  const { Evenhand } = globalThis, { comparison: data, player } = Evenhand;
  const { takes, rate, cuts } = data, { store } = player, last = cuts.length - 2;
  const running = () => !!(Evenhand.blind && Evenhand.blind.running);

  const filters = new Map(); // by their scripts
  Evenhand.filter = (name, f) => filters.set(name, f);

  // The discrete Fourier transform of n complex numbers in place, n a power of two. With real
  // and imaginary parts exchanged it is the inverse, times n.
  // Source: J. W. Cooley and J. W. Tukey, Math. Comput. 19, 1965 (from memory).
  function Transform(n) {
    const cos = new Float64Array(n / 2), sin = new Float64Array(n / 2);
    for (let i = 0; i < n / 2; i++) { cos[i] = Math.cos(2 * Math.PI * i / n); sin[i] = -Math.sin(2 * Math.PI * i / n); }
    return (re, im) => {
      for (let i = 1, j = 0; i < n; i++) { // in the order of the reversed bits
        let bit = n >> 1;
        for (; j & bit; bit >>= 1) j ^= bit;
        j ^= bit;
        if (i < j) { [re[i], re[j]] = [re[j], re[i]]; [im[i], im[j]] = [im[j], im[i]]; }
      }
      for (let half = 1; half < n; half *= 2) {
        const step = n / half / 2;
        for (let i = 0; i < n; i += 2 * half) for (let k = i, w = 0; k < i + half; k++, w += step) {
          const l = k + half, r = re[l] * cos[w] - im[l] * sin[w], m = re[l] * sin[w] + im[l] * cos[w];
          re[l] = re[k] - r; im[l] = im[k] - m;
          re[k] += r; im[k] += m;
        }
      }
    };
  }

  // The impulse responses of a filter's script, a channel for each of the takes, and what they
  // make of sound. The convolver of browsers is not used: that of WebKit's port for Linux is
  // wrong beyond its first taps.
  function Response({ taps }) {
    const channels = taps.map(s => new Float32Array(Uint8Array.from(atob(s), c => c.charCodeAt(0)).buffer)), { length } = channels[0];
    let n = 1;
    while (n < 4 * length) n *= 2;
    const transform = Transform(n), step = n - length, spectra = channels.map(h => {
      const re = new Float64Array(n), im = new Float64Array(n);
      re.set(h);
      transform(re, im);
      return { re, im };
    });
    // What response c makes of x, which is as much longer than that: sample i is the sum over
    // the taps k of h[k] x[i + length - k]. Two blocks at a time, as real and imaginary part.
    async function convolve(x, c) {
      const out = new Float32Array(x.length - length), h = spectra[c];
      for (let at = 0; at < out.length; at += 2 * step) {
        const re = new Float64Array(n), im = new Float64Array(n);
        re.set(x.subarray(at, at + n));
        im.set(x.subarray(at + step, at + step + n));
        transform(re, im);
        for (let i = 0; i < n; i++) {
          const r = re[i] * h.re[i] - im[i] * h.im[i];
          im[i] = (re[i] * h.im[i] + im[i] * h.re[i]) / n;
          re[i] = r / n;
        }
        transform(im, re);
        for (const [part, first] of [[re, at], [im, at + step]]) if (first < out.length) out.set(part.subarray(length, Math.min(n, length + out.length - first)), first);
        await new Promise(go => setTimeout(go)); // the page goes on meanwhile
      }
      return out;
    }
    return { length, convolve };
  }

  // Take x equalised to take y: a voice of the player, whose pieces are made when they are
  // wanted. Samples are those of the published file, so that it is in step like any other.
  function Pair(x, y, filter) {
    const response = Response(filter), { before } = filter, after = response.length - before;
    const { pieces, channels } = takes[x], made = new Map();
    const pair = { x, y, voice: player.deck.add({ pieces: [], of: y, buffer: k => made.get(k) || null }) };
    // The pieces from which the filter makes piece k.
    const sources = k => pieces.map((_, p) => p).filter(p => cuts[p] < cuts[k + 1] + before && cuts[p + 1] > cuts[k] - after);

    // The convolution of piece k and what is around it: tap n is n − before frames late.
    async function make(k) {
      const from = cuts[k] - after, frames = cuts[k + 1] - cuts[k], length = frames + response.length;
      const input = Array.from({ length: channels }, () => new Float32Array(length)); // before the store may drop a piece
      for (const p of sources(k)) {
        const skip = Math.max(0, from - cuts[p]), at = cuts[p] + skip - from, b = store.buffer(pieces[p]);
        input.forEach((x, c) => x.set(b.getChannelData(c).subarray(skip, skip + length - at), at));
      }
      const out = new AudioBuffer({ numberOfChannels: channels, length: frames, sampleRate: rate });
      for (const [c, x] of input.entries()) out.copyToChannel(await response.convolve(x, c), c);
      return out;
    }

    let busy = null, asked = "", rests = 0;
    // Makes the pieces that the player plays now and next. Resolves when they are there.
    pair.prepare = () => busy = busy || (async () => {
      for (const from = rests; from === rests && !running();) {
        const list = player.deck.pieces(player.deck.position());
        for (const k of made.keys()) if (!list.includes(k)) made.delete(k);
        const missing = list.filter(k => !made.has(k));
        // The piece after the next one will be asked for anyway.
        const own = new Set([...missing.flatMap(sources), ...list, Math.min(last, Math.max(...list) + 1)]);
        const all = [...[...own].map(k => pieces[k]), ...list.map(k => takes[y].pieces[k])], files = all.map(p => p.path + p.first).join();
        if (files !== asked || missing.length) { asked = files; store.want("equal", all); }
        if (!missing.length) return;
        await Promise.all(sources(missing[0]).map(k => store.promise(pieces[k])));
        const b = await make(missing[0]);
        if (from !== rests) return;
        made.set(missing[0], b);
        store.onprogress(); // who waits for it goes on
      }
    })().finally(() => { busy = null; });
    pair.rest = () => { made.clear(); asked = ""; rests++; };
    return pair;
  }

  const pairs = new Map(), buttons = [...document.querySelectorAll("[data-equal]")];
  let pair = null, asks = 0, later = 0; // the last that was asked for; ms: not before then again
  // What is made or wanted here makes room.
  player.rest = () => {
    store.want("equal", []);
    if (pair) pair.rest();
  };
  const sorry = e => player.say(`Sorry: ${e.message}. Press the button to try again.`);

  player.equal = async button => {
    if (running()) return;
    const ask = ++asks, key = button.dataset.equal, [x, y, peak] = key.split(" ").map(Number), left = "left" in button.dataset;
    const name = left ? `What is left of ${takes[y].name} after ${takes[x].name}` : `${takes[x].name}, equalised to ${takes[y].name}`;
    if (player.take < 0) player.take = player.wanted;
    const was = player.wanted, { pauses } = player;
    player.say(`Loading ${name}`);
    try {
      const file = `filters/${takes[x].slug}.js`;
      await Evenhand.need(file);
      if (running() || ask !== asks) return;
      player.makeDeck();
      if (!filters.has(file)) throw new Error(`${file} has no filter`);
      if (!pairs.has(key)) pairs.set(key, Pair(x, y, filters.get(file)));
      if (!pair) player.budget -= 5 * Math.max(...takes[x].pieces.map(p => p.frames)) * 4 * takes[x].channels; // what is made here
      if (pair !== pairs.get(key)) player.rest();
      pair = pairs.get(key);
      await pair.prepare();
    } catch (e) {
      if (!running() && ask === asks) sorry(e);
      return;
    }
    // Somebody may have chosen otherwise meanwhile.
    if (running() || ask !== asks || was !== player.wanted) return;
    const { deck } = player;
    player.wanted = player.take = x;
    player.instead = { name, button, of: y, parts: left ? [[y, 1], [pair.voice, -1]] : [[pair.voice, 1]] };
    player.top = Math.max(player.top, peak);
    deck.setLevel(player.headroom());
    deck.mix(player.mixture());
    player.want();
    if (deck.playing || pauses < player.pauses) player.say(name); else await player.play();
    player.show();
    player.remember();
  };

  // Whenever the player moves; see embed.go.
  document.addEventListener("evenhand:time", () => {
    for (const b of buttons) b.setAttribute("aria-pressed", !!player.instead && player.instead.button === b);
    const own = pair;
    if (own && performance.now() > later) own.prepare().catch(e => {
      later = performance.now() + 2000;
      if (running() || own !== pair || !player.instead) return;
      sorry(e);
      if (!e.passing) player.pause();
    });
  });
})();
