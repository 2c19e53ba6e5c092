// A deck that plays several takes of one performance in step, of which one is heard.
// Classic script, loaded with the first touch or Play.
(function () {
  "use strict";
  const { Evenhand } = globalThis;

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
    const gains = [], trims = [];
    const plug = () => trims.push(node(1, gains[gains.push(node(0, dip)) - 1]));
    voices.forEach(plug);
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

    // One voice more, while the others go on; returns its number.
    deck.add = voice => {
      voices.push(voice);
      plug();
      deck.retrim();
      return voices.length - 1;
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

  Object.assign(Evenhand.sound, { Deck, slow });

  // --- What the player mixes ---

  const { comparison: data, player } = Evenhand, { takes } = data, { voices, mics } = player;
  const amplitude = db => Math.pow(10, db / 20), loudestGain = Math.min(...takes.map(t => t.gain));

  // Gains of a take's two voices: the take as published, or a blend.
  const gainsOf = i => player.blends[i] === null ? { take: 1, mic: 0, peak: takes[i].peak } : player.blendGains(i, player.blends[i]);

  // How far everything is lowered so that no blend clips, nor what equal.js has made.
  player.headroom = () => amplitude(Math.min(0, -0.1 - Math.max(player.top, ...takes.map((t, i) => gainsOf(i).peak))));
  player.top = -Infinity; // dBFS

  // The gains of all voices. instead is {of, parts}: what is heard in place of a take, as
  // loud as take of, is made of parts [voice, gain].
  player.mixture = () => {
    const m = voices.map(() => 0), other = player.instead, i = other ? other.of : player.take;
    if (i < 0) return m;
    const g = gainsOf(i);
    // As recorded, the loudest take stays where it is and the others fall back.
    const level = (player.flips[i] ? -1 : 1) * (player.levels === "recorded" ? amplitude(loudestGain - takes[i].gain) : 1);
    for (const [v, gain] of other ? other.parts : [[i, g.take], [mics[i], g.mic]]) if (v >= 0) m[v] = gain * level;
    return m;
  };

  // By what a voice is raised at frame f of the music: as its take is.
  player.trimmed = (v, f) => {
    const raised = player.levels === "sections" && (data.sections[player.partAt(f)] || {}).raised;
    return raised ? amplitude(raised[v < takes.length ? v : mics.includes(v) ? mics.indexOf(v) : voices[v].of]) : 1;
  };

  player.makeDeck = () => {
    const old = player.deck;
    if (old.real) return;
    const deck = Deck(player.context(), voices, data.cuts);
    deck.edges = data.sections.flatMap(s => [s.first, s.first + s.frames]);
    deck.trimmed = player.trimmed;
    deck.needs = () => player.instead ? player.instead.parts.map(p => p[0]) : player.voicesOf(player.take);
    Object.assign(deck, { real: true, pos: old.pos, range: old.range, loop: old.loop, level: player.headroom() });
    deck.preset(player.mixture());
    player.deck = deck;
  };
})();
