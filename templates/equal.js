// What a reader can hear of two takes: one equalised to the other, and what is left then.
// Classic script, loaded with the first such button; never heard in a blind test.
(function () {
  "use strict";
  const { Evenhand } = globalThis, { comparison: data, player } = Evenhand;
  const { takes, rate, cuts } = data, { store } = player, last = cuts.length - 2;
  const running = () => !!(Evenhand.blind && Evenhand.blind.running);

  const filters = new Map(); // by their scripts
  Evenhand.filter = (name, f) => filters.set(name, f);

  // The impulse response of a filter's script, a channel for each of the takes.
  function impulse({ taps }) {
    const channels = taps.map(s => new Float32Array(Uint8Array.from(atob(s), c => c.charCodeAt(0)).buffer));
    const b = new AudioBuffer({ numberOfChannels: taps.length, length: channels[0].length, sampleRate: rate });
    channels.forEach((x, c) => b.copyToChannel(x, c));
    return b;
  }

  // Take x equalised to take y: a voice of the player, whose pieces are made when they are
  // wanted. Samples are those of the published file, so that it is in step like any other.
  function Pair(x, y, filter) {
    const response = impulse(filter), { before } = filter, after = response.length - before;
    const { pieces, channels } = takes[x], made = new Map();
    const pair = { x, y, voice: player.deck.add({ pieces: [], of: y, buffer: k => made.get(k) || null }) };
    // The pieces from which the filter makes piece k.
    const sources = k => pieces.map((_, p) => p).filter(p => cuts[p] < cuts[k + 1] + before && cuts[p + 1] > cuts[k] - after);

    // The convolution of piece k and what is around it: tap n is n − before frames late.
    async function make(k) {
      const from = cuts[k] - after, frames = cuts[k + 1] - cuts[k], length = frames + response.length;
      const off = new OfflineAudioContext(channels, length, rate), input = new AudioBuffer({ numberOfChannels: channels, length, sampleRate: rate });
      for (const p of sources(k)) for (let c = 0; c < channels; c++) {
        const b = store.buffer(pieces[p]), skip = Math.max(0, from - cuts[p]);
        input.copyToChannel(b.getChannelData(c).subarray(skip), c, cuts[p] + skip - from);
      }
      const source = off.createBufferSource(), convolver = off.createConvolver(), out = new AudioBuffer({ numberOfChannels: channels, length: frames, sampleRate: rate });
      convolver.normalize = false;
      convolver.buffer = response;
      source.buffer = input;
      source.connect(convolver).connect(off.destination);
      source.start();
      const all = await off.startRendering();
      for (let c = 0; c < channels; c++) out.copyToChannel(all.getChannelData(c).subarray(response.length), c);
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
    const was = player.wanted;
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
    if (deck.playing) player.say(name); else await player.play();
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
