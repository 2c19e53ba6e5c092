// Getting sound: files to bytes to buffers, and a deck that plays several
// takes of one performance in step, of which one is heard. Classic script, in
// the head of the page; everything hangs on the one global object Evenhand.
(function (root) {
  "use strict";
  const Evenhand = root.Evenhand = root.Evenhand || {};
  if (!root.AudioContext || !root.OfflineAudioContext || !root.fetch) return; // the plain players stay
  document.documentElement.classList.add("scripted");

  // Where the player cannot start, the plain players come back and the page says why.
  let why = "", missing = [];
  root.addEventListener("error", e => { if (e.target.defer) missing.push(e.target.getAttribute("src")); }, true);
  document.addEventListener("DOMContentLoaded", () => {
    if (Evenhand.player) return;
    document.documentElement.classList.remove("scripted");
    if (missing.length) why = `${missing.join(" and ")} could not be loaded`;
    if (why) document.getElementById("why").textContent = why;
  });

  // What the page knows of the comparison, from listen-data.js. Takes are
  // published in pieces, all cut at the same frames, with numbered names.
  Evenhand.data = d => {
    if (d.webOnly && onDisk) { why = "in this report it works only from a web server, not from a disk"; return; }
    const pieces = (stem, sizes) => sizes.map((bytes, k) => ({ path: `${stem}.${k + 1}.flac`, first: d.cuts[k], frames: d.cuts[k + 1] - d.cuts[k], bytes }));
    d.frames = d.cuts[d.cuts.length - 1];
    for (const t of d.takes) for (const f of [t, t.blend]) if (f) f.pieces = pieces(f.stem, f.sizes);
    Evenhand.comparison = d;
  };
  // What only some readers need, from listen-more.js, in the order of the takes.
  Evenhand.more = list => list.forEach((m, i) => {
    const t = Evenhand.comparison.takes[i];
    t.sha256 = m.sha256;
    t.pieces.forEach((p, k) => { p.sha256 = m.pieces[k]; });
    if (t.blend) t.blend.steps = m.steps;
  });

  // Loads a script of the page once, when it is needed.
  const loaded = new Map();
  Evenhand.need = function (file) {
    if (!loaded.has(file)) loaded.set(file, new Promise((resolve, reject) => {
      const s = document.createElement("script");
      s.onload = resolve;
      s.onerror = () => { loaded.delete(file); reject(new Error(`${file} could not be loaded`)); };
      s.src = file;
      document.head.append(s);
    }));
    return loaded.get(file);
  };

  // --- Files ---

  const onDisk = location.protocol === "file:"; // there disk.js gets the bytes

  // What may pass, and is worth another try, says so.
  const passing = words => Object.assign(new Error(words), { passing: true });
  const linked = promise => promise.catch(() => { throw passing("the connection was lost"); });

  async function viaFetch(path, tell, signal) {
    const answer = await linked(fetch(path, { signal }));
    if (!answer.ok) throw answer.status === 404 ? new Error(`${path} is missing`) : passing(`the server answered ${answer.status}`);
    const parts = [];
    let n = 0;
    for (const reader = answer.body.getReader(); ;) {
      const { done, value } = await linked(reader.read());
      if (done) break;
      parts.push(value);
      tell(n += value.length);
    }
    const out = new Uint8Array(n);
    n = 0;
    for (const p of parts) { out.set(p, n); n += p.length; }
    return out;
  }

  // The bytes of a piece; tell(n) reports how many are there so far.
  function bytesOf(path, tell, signal) {
    return onDisk ? Evenhand.need("disk.js").then(() => Evenhand.fromDisk(path)) : viaFetch(path, tell || (() => {}), signal);
  }

  let decoder = null;
  // The samples of a piece, at the files' own rate: nothing is resampled.
  async function decode(bytes, piece, rate) {
    decoder = decoder || new OfflineAudioContext(1, 1, rate);
    let buffer;
    try { buffer = await decoder.decodeAudioData(bytes.buffer); } catch (e) {
      throw new Error(`${piece.path} cannot be decoded: this browser does not play FLAC, or the file is damaged`);
    }
    if (buffer.length !== piece.frames) throw new Error(`${piece.path} has ${buffer.length} frames instead of ${piece.frames}: it is not the file of this page`);
    buffer.getChannelData(0); // makes the collector see the buffer when it is dropped
    return buffer;
  }

  // --- Store: decoded pieces, no more than are wanted at a time ---

  function Store(rate) {
    const held = new Map();   // path → {promise, buffer, size, got, failed}
    const wants = new Map();  // owner → paths
    const queue = [];
    let running = 0;
    const store = { onprogress: () => {} };

    function next() {
      while (running < 3 && queue.length) {
        const { entry, piece } = queue.shift();
        if (entry.dropped) { entry.reject(new Error("no longer wanted")); continue; }
        running++;
        bytesOf(piece.path, n => { entry.got = n; store.onprogress(); }, entry.stop.signal)
          .then(b => {
            if (entry.dropped) throw new Error("no longer wanted");
            entry.got = piece.bytes;
            return decode(b, piece, rate);
          })
          .then(b => { entry.buffer = b; entry.resolve(b); }, e => { entry.failed = e; entry.reject(e); })
          .finally(() => { running--; store.onprogress(); next(); });
      }
    }

    // Pieces that an owner wants from now on, the most urgent first; what
    // nobody wants any more is dropped.
    store.want = (owner, pieces) => {
      wants.set(owner, pieces.map(p => p.path));
      const all = new Set([...wants.values()].flat());
      for (const [path, entry] of held) if (!all.has(path)) { entry.dropped = true; entry.stop.abort(); held.delete(path); }
      for (const piece of pieces) {
        const old = held.get(piece.path);
        if (old && !old.failed) continue;
        const entry = { size: piece.bytes, got: 0, stop: new AbortController() };
        entry.promise = new Promise((resolve, reject) => { entry.resolve = resolve; entry.reject = reject; });
        entry.promise.catch(() => {});
        held.set(piece.path, entry);
        queue.push({ entry, piece });
      }
      const rank = new Map(pieces.map((p, i) => [p.path, i]));
      queue.sort((a, b) => (rank.has(a.piece.path) ? rank.get(a.piece.path) : 1e9) - (rank.has(b.piece.path) ? rank.get(b.piece.path) : 1e9));
      next();
      store.onprogress();
    };
    store.buffer = piece => { const e = held.get(piece.path); return e && e.buffer || null; };
    store.promise = piece => { const e = held.get(piece.path); return e ? e.promise : Promise.reject(new Error("not wanted")); };
    store.failure = piece => { const e = held.get(piece.path); return e && e.failed || null; };
    store.state = pieces => {
      let got = 0, size = 0, ready = 0;
      for (const p of pieces) {
        const e = held.get(p.path);
        size += p.bytes;
        if (e) got += Math.min(e.buffer ? p.bytes : e.got, p.bytes);
        if (e && e.buffer) ready++;
      }
      return { got, size, ready, all: pieces.length };
    };
    // Bytes of samples held, for the memory budget.
    store.decoded = () => [...held.values()].reduce((n, e) => n + (e.buffer ? e.buffer.length * e.buffer.numberOfChannels * 4 : 0), 0);
    return store;
  }

  // --- Deck: takes in step, one of them heard ---

  const smooth = .002; // s, time constant of a switch: −60 dB after 14 ms
  const slow = .1;     // s, the same of a change of levels: done in 0.5 s
  const edge = .004;   // s, half the dip where the music jumps

  // A deck plays voices: {buffer(k) → AudioBuffer or null} for piece k. All
  // start on one frame, so that they stay in step; what is heard is set by
  // gains that go in an exponential from where they are, so that they never
  // jump and always sum to one. cuts are the first frames of the pieces, with
  // the end as the last.
  function Deck(ctx, voices, cuts) {
    const rate = ctx.sampleRate;
    const out = ctx.createGain(), dip = ctx.createGain();
    out.gain.value = 0;
    dip.connect(out);
    out.connect(ctx.destination);
    const node = (value, to) => {
      const g = ctx.createGain();
      g.gain.value = value;
      g.connect(to);
      return g;
    };
    const gains = voices.map(() => node(0, dip)), trims = gains.map(g => node(1, g));
    const end = cuts[cuts.length - 1];
    const deck = { playing: false, stalled: false, edges: [], trimmed: () => 1, pos: 0, range: [0, end], loop: false, lookahead: 4, needs: () => [], level: 1 };
    let units = [];  // planned stretches, in order: {piece, from, to, at, sources}
    let cursor = 0;  // next frame of the music to plan
    let at = 0;      // frame of the context at which it sounds

    const now = () => ctx.currentTime * rate;
    const pieceAt = f => { let k = cuts.length - 2; while (k > 0 && cuts[k] > f) k--; return k; };

    // The stretch that follows frame f in playing order: [from, to, jumps], or
    // null at the end.
    function following(f) {
      let jumps = false;
      if (deck.loop && f >= deck.range[1]) { f = deck.range[0]; jumps = true; }
      if (f >= end) return null;
      const k = pieceAt(f);
      const stop = deck.loop && f < deck.range[1] ? deck.range[1] : end;
      return { piece: k, from: f, to: Math.min(cuts[k + 1], stop), jumps };
    }

    // The pieces needed from frame f on: this one and the next.
    deck.pieces = f => {
      const a = following(f);
      if (!a) return [pieceAt(f)];
      const b = following(a.to);
      return b && b.piece !== a.piece ? [a.piece, b.piece] : [a.piece];
    };

    function startSource(unit, v, buffer) {
      const first = Math.max(unit.at, Math.ceil(now() + .03 * rate));
      const skip = first - unit.at, frames = unit.to - unit.from - skip;
      if (skip > 0 && frames <= 0) return;
      const s = ctx.createBufferSource();
      s.buffer = buffer;
      s.connect(trims[v]);
      s.onended = () => { s.disconnect(); };
      const offset = (unit.from + skip - cuts[unit.piece]) / rate;
      if (unit.to === cuts[unit.piece + 1]) s.start(first / rate, offset); // up to the last frame
      else s.start(first / rate, offset, frames / rate);
      unit.sources[v] = s;
    }

    function fill(unit) {
      voices.forEach((v, i) => {
        if (unit.sources[i]) return;
        const b = v.buffer(unit.piece);
        if (b) startSource(unit, i, b);
      });
    }

    // The trims of voices along a stretch, from frame f of the music on: trimmed(v, f)
    // is that of voice v, and edges are the frames where trims change. tau is the time
    // constant of the first step.
    function trim(unit, f, tau) {
      for (const e of [f, ...deck.edges.filter(e => e > f && e < unit.to)]) {
        const t = Math.max(ctx.currentTime, (unit.at + e - unit.from) / rate);
        trims.forEach((g, v) => g.gain.setTargetAtTime(deck.trimmed(v, e), t, e === f ? tau : smooth));
      }
    }
    // After trimmed has changed: from what sounds now to the new trims in 0.5 s.
    deck.retrim = () => {
      for (const g of trims) g.gain.cancelScheduledValues(ctx.currentTime);
      const f = deck.position(), t = now();
      if (deck.playing) units.filter(u => t < u.at + u.to - u.from).forEach((u, i) => trim(u, i ? u.from : f, i ? smooth : slow));
    };

    // Plans ahead; to be called often while playing.
    deck.pump = () => {
      if (!deck.playing) return;
      deck.pos = deck.position();
      const t = now();
      while (units.length && units[0].at + units[0].to - units[0].from < t - rate) units.shift();
      units.forEach(fill);
      while (at < t + deck.lookahead * rate) {
        const f = following(cursor);
        if (!f) {
          if (t >= at) { deck.stop(); deck.pos = deck.range[0]; }
          return;
        }
        if (deck.needs().some(v => !voices[v].buffer(f.piece))) {
          // Not there yet. When what was planned has run out, wait.
          if (t >= at - .02 * rate) { deck.stop(f.from); deck.stalled = true; }
          return;
        }
        if (f.jumps && at > t + edge * rate) {
          dip.gain.setValueAtTime(1, at / rate - edge);
          dip.gain.linearRampToValueAtTime(0, at / rate);
          dip.gain.linearRampToValueAtTime(1, at / rate + edge);
        }
        const unit = { piece: f.piece, from: f.from, to: f.to, at, sources: [] };
        units.push(unit);
        trim(unit, unit.from, smooth);
        fill(unit);
        cursor = f.to;
        at += f.to - f.from;
      }
    };

    // The frame of the music that sounds now.
    deck.position = () => {
      if (!deck.playing) return deck.pos;
      const t = now();
      for (const u of units) if (t < u.at + u.to - u.from) return Math.max(u.from, Math.round(u.from + t - u.at));
      return units.length ? units[units.length - 1].to : deck.pos;
    };

    // Whether everything that is needed for frame f is there.
    deck.ready = f => { const n = following(f); return !n || deck.needs().every(v => voices[v].buffer(n.piece)); };

    deck.start = () => {
      deck.stalled = false;
      if (deck.playing) return;
      if (!following(deck.pos)) deck.pos = deck.range[0];
      if (!deck.ready(deck.pos)) { deck.stalled = true; return; }
      deck.playing = true;
      cursor = deck.pos;
      at = Math.ceil(now() + .06 * rate);
      out.gain.setTargetAtTime(deck.level, at / rate, smooth);
      deck.pump();
    };

    // Stops within 30 ms without a click; the place is kept, or set.
    deck.stop = frame => {
      const t = ctx.currentTime;
      deck.pos = frame === undefined ? deck.position() : frame;
      deck.stalled = false;
      if (!deck.playing) return;
      deck.playing = false;
      out.gain.cancelScheduledValues(t); // a start that has not come yet
      out.gain.setTargetAtTime(0, t, smooth);
      for (const u of units) for (const s of u.sources) if (s) s.stop(t + .03);
      for (const g of trims) g.gain.cancelScheduledValues(t);
      units = [];
      dip.gain.cancelScheduledValues(t + .03);
      dip.gain.setValueAtTime(1, t + .03);
    };

    deck.seek = frame => {
      const on = deck.playing || deck.stalled;
      deck.stop(Math.max(0, Math.min(end, Math.round(frame))));
      if (on) deck.start();
    };

    // What is planned is thrown away and planned anew, because the loop changed.
    deck.replan = () => { if (deck.playing) deck.seek(deck.position()); };

    // Gains of all voices from now on.
    deck.mix = (amplitudes, tau) => {
      const t = ctx.currentTime;
      gains.forEach((g, k) => g.gain.setTargetAtTime(amplitudes[k] || 0, t, tau || smooth));
    };
    // The same at once, before anything sounds.
    deck.preset = amplitudes => gains.forEach((g, k) => { g.gain.value = amplitudes[k] || 0; });
    deck.setLevel = level => {
      deck.level = level;
      if (deck.playing) out.gain.setTargetAtTime(level, ctx.currentTime, smooth);
    };
    deck.close = () => { deck.stop(); setTimeout(() => out.disconnect(), 60); };
    return deck;
  }

  Evenhand.sound = { bytesOf, decode, Store, Deck, onDisk, slow };
})(globalThis);
