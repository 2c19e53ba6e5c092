// Getting sound: files to bytes to buffers. Classic script, in the head of the page;
// everything hangs on the one global object Evenhand.
(function (root) {
  "use strict";
  const Evenhand = root.Evenhand = root.Evenhand || {};
  if (!root.AudioContext || !root.OfflineAudioContext || !root.fetch) return; // the plain players stay
  document.documentElement.classList.add("scripted");
  document.addEventListener("readystatechange", () => document.documentElement.classList.add("whole")); // all of the page is here

  // Where the player cannot start, the plain players come back and the page says why.
  let why = "", missing = [];
  root.addEventListener("error", e => { if (e.target.defer) missing.push(e.target.getAttribute("src")); }, true);
  // What is pressed before the player is there is pressed again when it is.
  let early = null;
  document.addEventListener("click", e => {
    const b = !Evenhand.player && e.target.closest("#play, .pick");
    if (!b) return;
    early = b;
    document.getElementById("play").textContent = "Loading";
  });
  document.addEventListener("DOMContentLoaded", () => {
    if (Evenhand.player) return early && early.click();
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
    const late = new Map();   // path → the same, no longer wanted, but more than half here
    const wants = new Map();  // owner → paths
    const queue = [];
    let running = 0, flowing = 0, bytes = 0, busy = 0, since = 0; // bytes that came, ms spent on them
    // alone: whether one request at a time is best; onload: a piece is there.
    const store = { onprogress: () => {}, onload: () => {}, alone: () => false };
    // One more or less entry flows.
    function flow(entry, by) {
      if ((by > 0) === !!entry.flows) return;
      const now = performance.now();
      if (flowing) busy += now - since;
      since = now;
      flowing += by;
      entry.flows = by > 0;
    }
    // An entry makes room for the next.
    function leave(entry) {
      flow(entry, -1);
      if (entry.runs) running--;
      entry.runs = false;
    }

    function next() {
      while (running < (store.alone() ? 1 : 3) && queue.length) {
        const { entry, piece } = queue.shift();
        if (entry.dropped) { entry.reject(new Error("no longer wanted")); continue; }
        running++;
        entry.runs = true;
        bytesOf(piece.path, n => {
          // The speed is that of what follows the first bytes: to wait for them is another matter.
          if (entry.got) bytes += n - entry.got; else flow(entry, 1);
          entry.got = n;
          store.onprogress();
        }, entry.stop.signal)
          .then(b => {
            flow(entry, -1);
            entry.came = true;
            late.delete(piece.path);
            if (entry.dropped) throw new Error("no longer wanted");
            entry.got = piece.bytes;
            return decode(b, piece, rate);
          })
          .then(b => { entry.buffer = b; entry.resolve(b); store.onload(); }, e => { entry.failed = e; late.delete(piece.path); entry.reject(e); })
          .finally(() => { leave(entry); store.onprogress(); next(); });
      }
    }

    function drop(path, entry) {
      held.delete(path);
      entry.dropped = true;
      leave(entry);
      if (!entry.came && entry.got > entry.size / 2) late.set(path, entry); else entry.stop.abort();
    }

    // Pieces that an owner wants from now on, the most urgent first; what nobody wants
    // any more is dropped, but a file of which more than half is here comes in.
    store.want = (owner, pieces) => {
      wants.set(owner, pieces.map(p => p.path));
      const all = new Set([...wants.values()].flat());
      for (const [path, entry] of held) if (!all.has(path)) drop(path, entry);
      for (const piece of pieces) {
        const old = held.get(piece.path), back = late.get(piece.path);
        if (old && !old.failed) continue;
        if (back) {
          late.delete(piece.path);
          back.dropped = false;
          held.set(piece.path, back);
          continue;
        }
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
    // Bytes a second over all that came, Infinity while too little did to tell.
    store.speed = () => bytes < 1 << 16 ? Infinity : bytes / (busy + (flowing ? performance.now() - since : 0)) * 1000;
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

  Evenhand.sound = { bytesOf, decode, Store, onDisk };
})(globalThis);
