// What the blind tests share: fair chance, a sealed key, a deck of its own
// with everything loaded beforehand, and keeping the answers. Classic script.
(function () {
  "use strict";
  const Evenhand = globalThis.Evenhand, data = Evenhand.comparison, player = Evenhand.player;
  const { Deck } = Evenhand.sound, { el, text } = player, { sha256, Meter, channelsOf } = Evenhand;
  const rate = data.rate;

  // --- Chance ---

  // A whole number from 0 to n−1, all equally likely.
  function random(n) {
    const word = new Uint32Array(1), most = Math.floor(4294967296 / n) * n;
    do crypto.getRandomValues(word); while (word[0] >= most);
    return word[0] % n;
  }
  // A new list in an order drawn fairly (Fisher and Yates).
  function shuffle(list) {
    const out = [...list];
    for (let i = out.length - 1; i > 0; i--) {
      const k = random(i + 1);
      [out[i], out[k]] = [out[k], out[i]];
    }
    return out;
  }
  // Pairs of n takes, as [first, second]: the takes stand in a drawn order on
  // a circle, and each meets those up to reach places on. Every take comes
  // equally often, first and second; with an even n and all pairs, the takes
  // that face each other are half a round, in a drawn order. A reach of one
  // half is neighbours two by two: each take once, of an odd number all but one.
  function pairs(n, reach) {
    const circle = shuffle([...Array(n).keys()]), out = [];
    if (reach === .5) for (let i = 0; i + 1 < n; i += 2) out.push([circle[i], circle[i + 1]]);
    for (let d = 1; d <= Math.min(reach, Math.floor((n - 1) / 2)); d++) for (let i = 0; i < n; i++) out.push([circle[i], circle[(i + d) % n]]);
    if (n % 2 === 0 && reach >= n / 2) for (let i = 0; i < n / 2; i++) out.push(shuffle([circle[i], circle[i + n / 2]]));
    return shuffle(out);
  }

  // --- The key ---

  // Whatever the player is set to, tests play all takes equally loud, see Booth.
  const levels = "equally loud, matched over the whole and then in the section of the test";
  const utf8 = s => new TextEncoder().encode(s);
  // Seals what a test will do: the text, with a random number so that it
  // cannot be guessed, and its SHA-256, which is shown before the start.
  function seal(key) {
    const nonce = Array.from(crypto.getRandomValues(new Uint8Array(16)), b => b.toString(16).padStart(2, "0")).join("");
    const words = JSON.stringify({ ...key, levels, comparison: data.id, random: nonce });
    return { text: words, hash: sha256(utf8(words)) };
  }
  const opens = sealed => sha256(utf8(sealed.text)) === sealed.hash;

  // --- Sound ---

  // Where a test may be made: stretches that lie in at most two pieces, so
  // that every take is in memory before the first answer.
  function stretches() {
    const cuts = data.cuts;
    const fit = (name, a, b) => {
      let k = cuts.length - 2;
      while (k > 0 && cuts[k] > a) k--;
      const to = Math.min(b, cuts[Math.min(k + 2, cuts.length - 1)]);
      return { name: to < b ? `${name}, its first ${Math.floor((to - a) / rate)} s` : name, from: a, to };
    };
    return data.sections.length ? data.sections.map(s => fit(s.name, s.first, s.first + s.frames)) : [fit("The beginning", 0, data.frames)];
  }

  // A low-pass without delay distortion, as an impulse response that is
  // symmetric about its middle: flat up to 3.5 kHz, more than 60 dB down from
  // 4 kHz on. Source: ITU-R BS.1534-3 (10/2015), 5.1, low-range anchor: within
  // 0.1 dB up to 3.5 kHz, at least 25 dB down at 4 kHz and 50 dB at 4.5 kHz
  // (from memory). Design by the window of Kaiser, Proc. IEEE ISCAS 1974.
  function lowPass() {
    const down = 64, beta = .1102 * (down - 8.7), pass = 3500 / rate, stop = 4000 / rate;
    const half = Math.ceil((down - 7.95) / (14.36 * (stop - pass)) / 2), out = new Float32Array(2 * half + 1);
    const bessel = x => { let sum = 1; for (let k = 1, term = 1; term > 1e-12 * sum; k++) sum += term *= x * x / (4 * k * k); return sum; };
    for (let n = -half; n <= half; n++) {
      const sinc = n ? Math.sin(Math.PI * (pass + stop) * n) / (Math.PI * n) : pass + stop;
      out[half + n] = sinc * bessel(beta * Math.sqrt(1 - n * n / half / half)) / bessel(beta);
    }
    return out;
  }

  // The reference without its treble, at its loudness: the lower end of a
  // rating scale. Returns the buffers by piece and their peak.
  async function anchor(buffers, lengths) {
    const frames = lengths.reduce((a, b) => a + b, 0), channels = buffers[0].numberOfChannels;
    const response = lowPass(), late = (response.length - 1) / 2;
    const off = new OfflineAudioContext(channels, frames + late, rate), filter = off.createConvolver();
    const impulse = new AudioBuffer({ length: response.length, sampleRate: rate });
    impulse.copyToChannel(response, 0);
    filter.normalize = false;
    filter.buffer = impulse; // its contents are taken here
    filter.connect(off.destination);
    let at = 0;
    const before = Meter(rate, channels), after = Meter(rate, channels);
    for (const b of buffers) {
      const s = off.createBufferSource();
      s.buffer = b;
      s.connect(filter);
      s.start(at / rate);
      at += b.length;
      before.write(channelsOf(b));
    }
    const low = channelsOf(await off.startRendering()).map(c => c.subarray(late));
    after.write(low);
    const apart = before.integrated() - after.integrated();
    const gain = Number.isFinite(apart) ? Math.pow(10, apart / 20) : 1; // silence stays silence
    at = 0;
    const out = lengths.map(n => {
      const b = new AudioBuffer({ numberOfChannels: channels, length: n, sampleRate: rate });
      for (let c = 0; c < channels; c++) b.copyToChannel(low[c].subarray(at, at + n).map(v => v * gain), c);
      at += n;
      return b;
    });
    return { buffers: out, peak: Math.pow(10, after.peak() / 20) * gain };
  }

  // A deck of hidden items: {take} or {take, low: true} for the anchor. items
  // may be changed while the deck stands still. Resolves when all is in memory.
  async function Booth(items, stretch, takes, tell) {
    const cuts = data.cuts;
    const inside = cuts.slice(0, -1).map((_, k) => k).filter(k => cuts[k] < stretch.to && cuts[k + 1] > stretch.from);
    const needed = inside.flatMap(k => takes.map(t => data.takes[t].pieces[k]));
    const { store } = player;
    player.pause();
    const ctx = player.context();
    store.want("player", []); // the player's pieces make room
    if (player.rest) player.rest();
    store.want("blind", needed);
    const progress = setInterval(() => { const s = store.state(needed); tell(`Loading everything first: ${s.ready} of ${s.all} parts`); }, 150);
    let low = null;
    try {
      await Promise.all(needed.map(p => store.promise(p)));
      const of = items.find(i => i.low);
      if (of) low = await anchor(inside.map(k => store.buffer(data.takes[of.take].pieces[k])), inside.map(k => cuts[k + 1] - cuts[k]));
    } catch (e) {
      store.want("blind", []);
      throw e;
    } finally { clearInterval(progress); }
    // Matched over the whole performance, takes can still differ over a part of
    // it, and that would tell: they are brought down to the softest here.
    const loudness = of => {
      const meter = Meter(rate, of[0].numberOfChannels);
      inside.forEach((k, i) => meter.write(channelsOf(of[i]).map(c => c.subarray(Math.max(0, stretch.from - cuts[k]), Math.min(c.length, stretch.to - cuts[k])))));
      return meter.integrated();
    };
    const level = new Map(takes.map(t => [t, loudness(inside.map(k => store.buffer(data.takes[t].pieces[k])))]));
    if (low) level.set("low", loudness(low.buffers));
    const softest = Math.min(...[...level.values()].filter(Number.isFinite));
    const trim = new Map([...level].map(([t, l]) => [t, Number.isFinite(l) ? Math.pow(10, (softest - l) / 20) : 1]));
    const voices = items.map((_, v) => ({ buffer: k => !inside.includes(k) ? null : items[v].low ? low.buffers[inside.indexOf(k)] : store.buffer(data.takes[items[v].take].pieces[k]) }));
    const deck = Deck(ctx, voices, cuts);
    // Takes that are inverted against the reference are turned round, since a
    // switch between opposite polarities dips and would tell.
    const gain = v => (data.takes[items[v].take].inverted ? -1 : 1) * trim.get(items[v].low ? "low" : items[v].take);
    const only = v => items.map((_, i) => i === v ? gain(v) : 0);
    Object.assign(deck, { loop: true, range: [stretch.from, stretch.to], pos: stretch.from, level: low ? Math.min(1, .99 / low.peak) : 1 });
    deck.preset(only(0));
    const timer = setInterval(deck.pump, 60);
    const booth = {
      deck, heard: 0, items, level, gain, known: new Set(), // what was heard since the last rewind
      listen(v) { booth.heard = v; deck.mix(only(v)); booth.onchange(); },
      toggle() {
        if (deck.playing) deck.stop(); else { player.context(); deck.start(); }
        booth.onchange();
      },
      // Back to the start of the stretch and the first item, in silence.
      rewind(v) { deck.stop(stretch.from); booth.known.clear(); booth.heard = v; deck.mix(only(v)); booth.onchange(); },
      onchange() { },
      close() { clearInterval(timer); ctx.removeEventListener("statechange", interrupted); deck.close(); store.want("blind", []); },
    };
    // A call or an alarm stops the sound; Play goes on.
    const interrupted = () => { if (ctx.state !== "running" && deck.playing) booth.toggle(); };
    ctx.addEventListener("statechange", interrupted);
    return booth;
  }

  // --- Answers ---

  const place = (what, id) => `evenhand:${(id || data.id).slice(0, 16)}:${what}`;
  const recall = (what, otherwise, id) => { try { return JSON.parse(localStorage.getItem(place(what, id))) || otherwise; } catch (e) { return otherwise; } };
  const keep = (what, v) => { try { localStorage.setItem(place(what), JSON.stringify(v)); } catch (e) { /* kept until the page is closed */ } };
  // The reader's number; one who answered before a take was added keeps it.
  function reader() {
    const had = [data.id, ...data.earlier || []].map(id => recall("reader", null, id)).find(Boolean);
    const fresh = had || Evenhand.answers.nonce();
    keep("reader", fresh);
    return fresh;
  }

  // The foot of a result: the opened key, the code to copy, the file to save.
  function finish(answer, sealed, extra) {
    const code = data.takes.length > Evenhand.answers.most ? "" : Evenhand.answers.encode({ comparison: data.id.slice(0, 10), nonce: reader(), takes: data.takes.length, ...answer });
    const record = { comparison: data.id, title: data.title, code, answer, levels, key: sealed.text, sealed: sealed.hash, ...extra };
    keep("answers", [...recall("answers", []), record]);
    const shown = el("output", { class: "seal code", "aria-label": "Answer code" }, code), told = el("span", { role: "status" });
    const copy = async () => {
      getSelection().selectAllChildren(shown);
      let ok = false;
      try { await navigator.clipboard.writeText(code); ok = true; } catch (e) { ok = document.execCommand("copy"); } // only https has a clipboard
      text(told, ok ? "Copied" : "Select the code and copy it");
    };
    const save = el("a", { download: `answers-${answer.kind}.json`, href: URL.createObjectURL(new Blob([JSON.stringify(recall("answers", [record]), null, 1)], { type: "application/json" })) }, "Save all my answers as JSON");
    return [
      el("p", {}, `Nothing was sent anywhere. Your answers are kept in this browser${code ? "; to let the author count them, copy this code into a comment" : ""}.`),
      ...code ? [el("div", { class: "row" }, shown, el("button", { type: "button", onclick: copy }, "Copy"), told)] : [],
      el("p", {}, save),
      el("details", {}, el("summary", {}, "The key"), el("p", { class: "small" }, opens(sealed) ? "The text below has the SHA-256 that was shown before the start: the key was not changed." : "The text below does not have the SHA-256 that was shown before the start."), el("p", { class: "seal" }, sealed.text), el("p", { class: "seal" }, `SHA-256 ${sealed.hash}`)),
    ];
  }

  // The panel of a running test: its buttons and their keys, and a way out.
  // answers are the keys that answer; the test gives each its function.
  function panel(box, booth, names, sealed, onleave, answers) {
    const play = el("button", { type: "button", class: "main", onclick: () => booth.toggle() }, "Play");
    const buttons = names.map((n, v) => el("button", { type: "button", "aria-pressed": "false", onclick: () => pick(v) }, n));
    const told = el("p", { class: "small", role: "status" });
    const pick = v => { if (!booth.deck.playing) booth.toggle(); booth.listen(v); text(told, `You hear ${names[v].replace(/^0 /, "the ")}`); };
    const p = {
      work: el("div", {}), buttons, keys: {}, onchange() { },
      // Whether all of these were heard; if not, status says what is missing.
      heard(items, status, words) {
        const missing = items.filter(v => !booth.known.has(v)).map(v => names[v]);
        text(status, missing.length ? `${words} Listen to ${missing.join(", ").replace(/, ([^,]*)$/, " and $1")} first.` : words);
        return !missing.length;
      },
      leave() {
        box.removeEventListener("keydown", keys);
        document.documentElement.classList.remove("hiding");
        box.parentNode.classList.remove("running");
        Evenhand.blind.running = false;
        booth.close();
      },
    };
    booth.onchange = () => {
      if (booth.deck.playing) booth.known.add(booth.heard);
      text(play, booth.deck.playing ? "Pause" : "Play");
      buttons.forEach((b, v) => b.setAttribute("aria-pressed", v === booth.heard));
      p.onchange();
    };
    const keys = e => {
      if (e.ctrlKey || e.altKey || e.metaKey || e.target.matches("select, textarea")) return;
      const k = e.key.toLowerCase(), v = names.findIndex(n => n.toLowerCase() === k || n[0].toLowerCase() === k && n.length > 1);
      if (k === "p") booth.toggle(); else if (v >= 0) pick(v); else if (p.keys[k]) p.keys[k](); else return;
      e.preventDefault();
    };
    box.addEventListener("keydown", keys);
    Evenhand.blind.running = true;
    Evenhand.blind.booth = booth;
    document.documentElement.classList.add("hiding");
    box.parentNode.classList.add("running");
    box.replaceChildren(
      el("div", { class: "row big booth", role: "group", "aria-label": "What is heard" }, play, buttons), told, p.work,
      el("p", { class: "small" }, `Keys: ${names.map(n => n[0]).join(", ")} to listen, P to play and pause${answers.length ? `, ${answers.join(", ")} to answer` : ""}.`),
      el("p", {}, el("button", { type: "button", onclick: () => { p.leave(); onleave(); } }, "Give up; nothing is counted")),
      el("p", { class: "small" }, "Which is which was drawn at random before the start and is sealed. This is the SHA-256 of the key, which is shown at the end:"), el("p", { class: "seal" }, sealed.hash));
    booth.onchange();
    return p;
  }

  Evenhand.blind = { running: false, booth: null, random, shuffle, pairs, seal, opens, stretches, lowPass, anchor, Booth, finish, panel, reader, recall };
})();
