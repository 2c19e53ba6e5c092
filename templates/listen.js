// The player: one transport for all takes. Classic script; see sound.js for
// what makes the sound.
(function () {
  "use strict";
  const Evenhand = globalThis.Evenhand, data = Evenhand && Evenhand.comparison;
  if (!data) return; // the plain players stay, see sound.js
  const { Store } = Evenhand.sound;
  const $ = id => document.getElementById(id), all = s => [...document.querySelectorAll(s)];
  const listen = $("listen"), rate = data.rate, takes = data.takes;

  // --- Words ---

  function clock(frame) {
    const tenths = Math.round(frame / rate * 10), s = Math.floor(tenths / 10);
    return `${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}.${tenths % 10}`;
  }
  // Text is set only when it changes: screen readers announce each setting.
  const text = (node, s) => { if (node.textContent !== s) node.textContent = s; };
  const say = s => text($("say"), s);

  // An element of a tag, with attributes and children.
  function el(tag, attributes, ...children) {
    const e = document.createElement(tag);
    for (const [k, v] of Object.entries(attributes || {})) {
      if (k.startsWith("on")) e.addEventListener(k.slice(2), v);
      else if (v === true) e.setAttribute(k, "");
      else if (v !== false && v != null) e.setAttribute(k, v);
    }
    e.append(...children.flat().filter(c => c != null));
    return e;
  }

  // --- Sound ---

  // Two pieces of all takes at a time are decoded. They are cut so that this
  // fits; the budget is the last resort. What is touched is taken for a phone.
  const phone = matchMedia("(pointer: coarse)").matches;
  const budget = (phone ? 128 : 384) * (1 << 20);
  const store = Store(rate);
  let ctx = null, asked = 0; // ms: when the sound was last asked to start

  // The context must be made, or woken, inside a touch or a key.
  function context() {
    if (!ctx) {
      if (navigator.audioSession) try { navigator.audioSession.type = "playback"; } catch (e) { /* the ring switch then decides */ }
      ctx = new AudioContext({ sampleRate: rate, latencyHint: "interactive" });
      ctx.onstatechange = () => {
        if (ctx.state === "running" || !player.deck.playing) return;
        player.deck.stop();
        say("The sound was interrupted. Press Play to go on.");
        show();
      };
    }
    if (ctx.state !== "running") { ctx.resume(); asked = performance.now(); }
    return ctx;
  }

  // A voice plays the pieces of one file; it never resamples.
  const voiceOf = (pieces, channels) => ({ pieces, channels, buffer: k => store.buffer(pieces[k]) });

  const player = Evenhand.player = { deck: null, store, budget, take: -1, wanted: 0, part: -1, levels: "whole", flips: takes.map(() => false), blends: takes.map(() => null), context, el, text, clock };
  // Voices: the takes, then the single microphones of those that have them.
  const voices = takes.map(t => voiceOf(t.pieces, t.channels));
  const mics = takes.map(t => t.blend ? voices.push(voiceOf(t.blend.pieces, 1)) - 1 : -1);

  const blended = i => mics[i] >= 0 && player.blends[i] !== null;
  const voicesOf = i => blended(i) ? [i, mics[i]] : [i];
  // What is heard: the take, or what equal.js makes of two.
  const name = () => (player.instead || takes[player.take]).name;
  Object.assign(player, { want, say, show, remember, voices, mics, voicesOf, instead: null, pauses: 0 });

  // On a link that carries the sound of all takes less than this many times over, and for who
  // saves data, only the chosen take and the two before it are loaded, until a reader wants
  // all: the takes that nobody hears would be most of what it carries.
  const roomy = 1.75;
  const rateOfAll = takes.reduce((n, t) => t.sizes.reduce((a, b) => a + b, n), 0) / data.frames * rate; // bytes a second
  const saves = !!(navigator.connection && navigator.connection.saveData);
  let few = saves, everything = false, recent = []; // the last chosen first
  function plan() {
    few = saves || store.speed() < rateOfAll * roomy * (few ? 1.3 : 1); // not to and fro
    const last = [...new Set([player.wanted, ...recent])];
    return few && !everything ? last.slice(0, 3) : [...new Set([...last, ...takes.keys()])];
  }
  const files = (i, k) => voicesOf(i).map(v => voices[v].pieces[k]);
  const there = (i, k) => files(i, k).every(p => store.buffer(p));

  // Which files are wanted now: the chosen take's for this piece and the next, then the
  // others' for this piece, then for the next.
  function want() {
    const [k, ...next] = player.deck.pieces(player.deck.position()), list = plan(), others = list.slice(1);
    const order = [...[k, ...next].flatMap(k => files(list[0], k)), ...[k, ...next].flatMap(k => others.flatMap(i => files(i, k)))];
    const channels = new Map(voices.flatMap(v => v.pieces.map(p => [p, v.channels])));
    let bytes = 0;
    const kept = order.filter(p => (bytes += p.frames * 4 * channels.get(p)) <= player.budget);
    store.want("player", kept.length ? kept : order.slice(0, 1));
  }
  // One request at a time until the chosen take plays and its next piece is here.
  store.alone = () => isOpen() && !(player.deck.playing && player.deck.pieces(player.deck.position()).every(k => there(player.wanted, k)));
  store.onload = () => { if (player.deck.real) want(); };

  // Until the first touch there is a place, but no sound.
  player.deck = { pos: 0, range: [0, data.frames], loop: false, playing: false, stalled: false, position() { return this.pos; }, pieces: f => [pieceAt(f)], seek(f) { this.pos = Math.max(0, Math.min(data.frames, f)); }, stop() { this.stalled = false; }, replan() { } };
  const pieceAt = f => { const p = takes[0].pieces; let k = p.length - 1; while (k > 0 && p[k].first > f) k--; return k; };

  function failure(list) { for (const p of list) { const f = store.failure(p); if (f) return f; } return null; }

  // --- Actions ---

  // Chooses a take. When its audio is not there yet, it is heard as soon as it is.
  player.choose = function (i) {
    if (i < 0 || i >= takes.length) return;
    player.wanted = i;
    player.instead = null;
    recent = [i, ...recent.filter(k => k !== i)].slice(0, 3);
    if (player.take < 0 || !player.deck.real || there(i, pieceAt(player.deck.position()))) hear(i);
    else say(`Loading ${takes[i].name}`);
    if (player.deck.real) want();
    show();
    remember();
  };

  function hear(i) {
    player.take = player.wanted = i;
    if (player.deck.real) player.deck.mix(player.mixture());
    say(`${takes[i].name}${player.levels === "recorded" ? ", as recorded" : ""}`);
  }

  player.play = async function () {
    context();
    hand({});
    if (player.take < 0) hear(player.wanted);
    want();
    if (!player.deck.real) {
      player.deck.stalled = true; // it waits, and Pause ends that
      say(`Loading ${name()}`);
      show();
      try { await Evenhand.need("deck.js"); } catch (e) {
        player.deck.stop();
        say(`Sorry: ${e.message}. Press Play to try again.`);
        return show();
      }
      if (player.deck.real || !player.deck.stalled) return;
      player.makeDeck();
    }
    player.deck.level = player.headroom();
    want();
    player.deck.start();
    say(`${player.deck.stalled ? "Loading " : ""}${name()}`);
    show();
  };
  player.pause = function () { player.pauses++; player.deck.stop(); show(); remember(); };
  player.toggle = () => player.deck.playing || player.deck.stalled ? player.pause() : player.play();
  player.seek = function (frame) { player.deck.seek(frame); want(); show(); remember(); };
  // A place in the picture: its section is the one that repeats.
  player.point = function (frame) {
    if (player.part >= 0 || player.deck.loop) setPart(partAt(frame));
    player.seek(frame);
  };

  const partSpan = k => k < 0 ? [0, data.frames] : [data.sections[k].first, data.sections[k].first + data.sections[k].frames];
  const partName = k => k < 0 ? "all sections" : data.sections[k].name;
  function partAt(f) {
    for (let k = data.sections.length - 1; k >= 0; k--) { const [a, b] = partSpan(k); if (f >= a && f < b) return k; }
    return -1;
  }
  function setPart(k) {
    player.part = k;
    player.deck.range = partSpan(k);
  }
  player.partAt = partAt;
  player.jump = function (k) {
    setPart(k);
    player.seek(player.deck.range[0]);
    say(k < 0 ? "From the start" : `${partName(k)}, ${clock(player.deck.range[0])}`);
  };
  player.setLoop = function (on) {
    if (on && player.part < 0 && data.sections.length) {
      const k = partAt(player.deck.position());
      if (k >= 0) player.part = k;
    }
    setPart(player.part);
    player.deck.loop = on;
    const pos = player.deck.position(), [a, b] = player.deck.range;
    if (on && (pos < a || pos >= b)) player.seek(a); else player.deck.replan();
    want();
    say(on ? `Repeating ${partName(player.part)}` : "Not repeating");
    show();
  };
  player.setFlip = function (i, on) {
    player.flips[i] = on;
    if (player.deck.real) player.deck.mix(player.mixture());
    say(`${takes[i].name}: polarity ${on ? "inverted, to match the reference" : "as recorded"}`);
  };
  // --- The page ---

  const seek = $("seek"), play = $("play"), loop = $("loop"), spot = $("spot");
  const address = () => {
    const p = new URLSearchParams();
    p.set("take", takes[player.wanted].slug);
    if (player.part >= 0) p.set("section", data.sections[player.part].slug);
    if (player.levels !== "whole") p.set("levels", player.levels);
    p.set("t", (player.deck.position() / rate).toFixed(2));
    return "#" + p;
  };
  const framed = document.body.classList.contains("frame"); // listen.html: the address is that of the report
  let touched = false;
  function remember() {
    spot.setAttribute("href", (framed ? "index.html" : "") + address());
    touched = true;
    try { history.replaceState(null, "", address()); } catch (e) { /* the link still holds it */ }
  }
  function restore() {
    const p = new URLSearchParams(location.hash.slice(1)), anchor = takes.find(t => "#take-" + t.slug === location.hash);
    if (anchor) return player.choose(takes.indexOf(anchor));
    if (!["take", "section", "levels", "t"].some(k => p.has(k))) return;
    const i = takes.findIndex(t => t.slug === p.get("take"));
    if (i >= 0) { if (player.deck.real) player.choose(i); else player.take = player.wanted = i; }
    const k = data.sections.findIndex(s => s.slug === p.get("section"));
    if (k >= 0) setPart(k);
    if (radios.some(r => r.value === p.get("levels"))) player.setLevels ? player.setLevels(p.get("levels")) : player.levels = p.get("levels");
    const t = parseFloat(p.get("t"));
    player.deck.seek(Number.isFinite(t) ? t * rate : player.deck.range[0]);
    if (i >= 0 || k >= 0 || Number.isFinite(t)) listen.scrollIntoView({ behavior: "instant" });
    show();
  }

  // The plots follow the player, and the player the plots: see the events in embed.go.
  const isOpen = () => !(Evenhand.blind && Evenhand.blind.running);
  const tell = (what, detail) => { if (isOpen()) document.dispatchEvent(new CustomEvent("evenhand:" + what, { detail })); };
  const follow = (what, act) => document.addEventListener("evenhand:" + what, e => { if (isOpen()) act(e.detail); });
  follow("take", slug => { const i = takes.findIndex(t => t.slug === slug); if (i !== toldTake) player.choose(i); });
  follow("seek", seconds => player.point(seconds * rate));
  follow("play", () => { if (!player.deck.playing) player.play(); });

  const radios = all("input[name=levels]"), picks = all(".pick"), sections = all("[data-part]"), panels = takes.map(t => $("take-" + t.slug));
  let toldTake = -1; // none is chosen at the start
  function show() {
    const deck = player.deck, on = deck.playing || deck.stalled, pos = deck.position();
    if (player.wanted !== toldTake) { toldTake = player.wanted; tell("take", takes[toldTake].slug); }
    tell("time", pos / rate);
    text(play, on ? "Pause" : "Play");
    loop.setAttribute("aria-pressed", deck.loop);
    picks.forEach((b, i) => { b.setAttribute("aria-pressed", i === player.wanted && !player.instead); panels[i].classList.toggle("on", i === player.wanted); });
    const here = partAt(pos);
    for (const b of sections) {
      b.setAttribute("aria-pressed", Number(b.dataset.part) === player.part);
      b.classList.toggle("here", Number(b.dataset.part) === here);
    }
    text($("clock"), `${clock(pos)} / ${clock(data.frames)}`);
    for (const r of radios) {
      r.checked = r.value === player.levels;
      if ($("note-" + r.value)) $("note-" + r.value).hidden = !r.checked;
    }
    if (seek && seek !== document.activeElement || on) seek.value = pos;
    if (seek) {
      // Whole seconds, so that a screen reader is not told ten times a second.
      const words = clock(pos).slice(0, -2) + (here >= 0 ? ", " + partName(here) : "");
      if (seek.getAttribute("aria-valuetext") !== words) seek.setAttribute("aria-valuetext", words);
    }
  }

  const told = new Set();
  let again = 0; // a timer
  function progress() {
    const list = [];
    const here = player.deck.real || player.deck.stalled ? player.deck.pieces(player.deck.position()) : [];
    for (const k of here) for (const i of plan()) list.push(...files(i, k));
    const s = store.state(list), bar = $("loading"), own = store.state(here.slice(0, 1).flatMap(k => files(player.wanted, k)));
    bar.classList.toggle("on", s.ready < s.all);
    bar.value = s.size ? s.got / s.size : 0;
    bar.setAttribute("aria-valuetext", `${s.ready} of ${s.all} parts`);
    // What a reader waits for fills the button; takes that are not here are marked.
    play.classList.toggle("loads", own.ready < own.all);
    play.style.setProperty("--got", `${own.size ? Math.round(100 * own.got / own.size) : 0}%`);
    if (here.length) picks.forEach((b, i) => b.classList.toggle("away", !there(i, here[0])));
    $("few").hidden = !here.length || !few || everything;
    $("whole").hidden = !Evenhand.wholes?.size;
    const wanted = failure(here.flatMap(k => files(player.wanted, k)));
    const bad = wanted || failure(list.filter(p => !told.has(p)));
    if (bad && bad.passing) again = again || setTimeout(() => { again = 0; want(); }, 2000);
    if (!bad || bad.passing && !wanted) return;
    for (const p of list) if (store.failure(p)) told.add(p); // once is enough
    let press = "If the sound stops, press Play";
    if (wanted && player.wanted !== player.take && player.deck.playing) {
      press = `Press ${takes[player.wanted].name}`;
      player.wanted = player.take;
    } else if (wanted && player.deck.stalled) player.deck.stop();
    if (!player.deck.playing) press = "Press Play";
    say(`Sorry: ${bad.message}. ${bad.passing ? `${press} to try again.` : "The download below each take may still work."}`);
    show();
  }
  store.onprogress = () => {
    progress();
    if (!player.deck.real) return;
    if (player.wanted !== player.take && there(player.wanted, pieceAt(player.deck.position()))) { hear(player.wanted); show(); }
    if (player.deck.stalled && player.deck.ready(player.deck.pos)) { player.deck.start(); say(name()); show(); }
  };

  let lastPiece = "", lastPart = -2;
  function tick() {
    const deck = player.deck;
    if (!deck.real || !deck.playing && !deck.stalled) return;
    if (deck.playing && ctx.state !== "running" && performance.now() - asked > 4000) {
      deck.stop();
      say("The browser starts no sound. Is there a sound output, and may this page use it? Then press Play again.");
      return show();
    }
    const on = deck.playing;
    deck.pump();
    if (on && deck.stalled) say(`Loading ${name()}`);
    const k = deck.pieces(deck.position()).join();
    if (k !== lastPiece) { lastPiece = k; want(); }
    const part = partAt(deck.position());
    if (part !== lastPart) { lastPart = part; remember(); }
    show();
  }
  setInterval(tick, 60);

  $("everything").addEventListener("click", () => { everything = true; play.focus(); want(); });
  addEventListener("online", () => { if (player.deck.real) want(); });
  play.addEventListener("click", player.toggle);
  loop.addEventListener("click", () => player.setLoop(!player.deck.loop));
  if (seek) seek.addEventListener("input", () => player.point(Number(seek.value)));
  picks.forEach((b, i) => b.addEventListener("click", () => {
    const fresh = !player.deck.real;
    player.choose(i);
    if (fresh) player.play(); // one tap from sound
  }));
  for (const b of sections) {
    const k = Number(b.dataset.part);
    b.addEventListener("click", () => {
      if (k >= 0) return player.jump(k);
      setPart(-1);
      player.deck.replan();
      say("All sections");
      show();
    });
    if (k >= 0) { // below its part of the picture
      const [from, to] = partSpan(k);
      b.style.left = `${100 * from / data.frames}%`;
      b.style.width = `${100 * (to - from) / data.frames}%`;
    }
  }
  // Where a section is too narrow for a finger, the names stand in rows of their own.
  const parts = document.querySelector(".parts");
  parts.classList.add("placed");
  new ResizeObserver(() => parts.classList.toggle("rows", data.sections.some(s => s.frames / data.frames * parts.parentNode.clientWidth < 24))).observe(parts.parentNode);
  if ($("try")) $("try").addEventListener("click", () => {
    $("blind").open = true;
    $("blind").firstElementChild.focus({ preventScroll: true });
    $("blind").scrollIntoView();
  });
  // What a browser kept ticked from before a reload is set back.
  for (const c of all(".flip")) { c.checked = false; c.addEventListener("change", () => player.setFlip(Number(c.dataset.take), c.checked)); }

  for (const b of all("[data-equal]")) b.addEventListener("click", async () => {
    if (!isOpen()) return;
    context();
    if (await open(["deck.js", "hand.js", "equal.js"])) player.equal(b);
  });
  // What few readers open is loaded when they open it.
  async function open(files) {
    try { for (const f of files) await Evenhand.need(f); return true; } catch (e) { say(`Sorry: ${e.message}. Close this part and open it to try again.`); return false; }
  }
  for (const d of all(".blend")) d.addEventListener("toggle", async () => { if (d.children.length < 2 && await open(["listen-more.js", "blends.js"])) player.openBlend(d); });
  for (const d of all("details.blind")) d.addEventListener("toggle", () => open(["deck.js", "hash.js", "statistics.js", "answers.js", "meter.js", "blind.js", "tests.js"]));
  $("recheck").addEventListener("toggle", () => open(["listen-more.js", "hash.js", "meter.js", "recheck.js"]));

  // The keys, and the bar at the foot of the page, come with the first touch or key.
  let keyless = false; // without hand.js
  async function hand(e) {
    if (e.type === "keydown" && !player.key && !keyless && e.target === seek && e.key.startsWith("Arrow") && !e.altKey && !e.ctrlKey && !e.metaKey) e.preventDefault(); // by itself it moves one sample
    Evenhand.need("deck.js").catch(() => {}); // Play asks again
    if (!player.key) try { await Evenhand.need("hand.js"); } catch (x) { keyless = true; return; }
    if (e.type === "keydown") player.key(e);
  }
  for (const type of ["focusin", "pointerdown"]) listen.addEventListener(type, hand);
  document.addEventListener("keydown", hand);
  const anywhere = $("anywhere");
  try { anywhere.checked = localStorage.getItem("evenhand:keys") === "page"; } catch (e) { /* off */ }
  anywhere.addEventListener("change", () => { try { localStorage.setItem("evenhand:keys", anywhere.checked ? "page" : ""); } catch (e) { /* until the page is closed */ } });
  listen.tabIndex = -1; // a click anywhere in it brings the keys
  addEventListener("hashchange", restore);
  addEventListener("pagehide", () => { if (touched && player.deck.real) player.deck.stop(); });
  restore();
  show();
})();
