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

  // What the page knows of the comparison, from listen-data.js. A published file is
  // loaded in pieces, which begin at the same frames in all takes: ranges of its bytes,
  // the first with the file's header. In reports of earlier versions they are files.
  Evenhand.data = d => {
    if (d.webOnly && onDisk) { why = "in this report it works only from a web server, not from a disk"; return; }
    d.frames = d.cuts[d.cuts.length - 1];
    for (const t of d.takes) for (const [f, channels] of [[t, t.channels], [t.blend, 1]]) if (f) {
      const size = f.sizes.reduce((a, b) => a + b, 0);
      let from = 0;
      f.pieces = f.sizes.map((bytes, k) => {
        const own = `${f.stem}.${k + 1}`;
        const p = { path: f.file || own + ".flac", script: own + ".js", first: d.cuts[k], frames: d.cuts[k + 1] - d.cuts[k], bytes, part: f.file ? { from, size, head: k ? 0 : f.head, channels, bits: t.bits, block: d.block } : null };
        from += bytes;
        return p;
      });
    }
    Evenhand.comparison = d;
  };
  // What only some readers need, from listen-more.js, in the order of the takes.
  Evenhand.more = list => list.forEach((m, i) => {
    const t = Evenhand.comparison.takes[i];
    t.sha256 = m.sha256;
    (m.pieces || []).forEach((sum, k) => { t.pieces[k].sha256 = sum; });
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
  const passing = (words, lost = false) => Object.assign(new Error(words), { passing: true, lost });
  const linked = promise => promise.catch(() => { throw passing("the connection was lost", true); });

  async function ask(path, options) {
    const answer = await linked(fetch(path, options));
    if (answer.ok || answer.status === 416) return answer;
    throw answer.status === 404 ? new Error(`${path} is missing`) : passing(`the server answered ${answer.status}`);
  }

  async function read(answer, tell) {
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

  // A browser asks for a range of a file unpacked, and fails where it comes packed all the
  // same, as if the connection was lost.
  const packs = path => fetch(path, { method: "HEAD" }).then(a => a.ok && a.headers.has("Content-Encoding"), () => false);

  // A range of a file. A host that gives no ranges, or packs what it gives, so that they
  // would be ranges of something else, is asked for whole files, see whole.js.
  async function partOf(piece, tell, signal) {
    const { path, part: { from, size } } = piece, to = from + piece.bytes;
    if (!Evenhand.wholes || !Evenhand.wholes.has(path)) {
      let answer = null;
      try { answer = await ask(path, { signal, headers: { Range: `bytes=${from}-${to - 1}` } }); } catch (e) {
        if (!e.lost || signal && signal.aborted || !await packs(path)) throw e;
      }
      if (answer && answer.status === 206 && answer.headers.get("Content-Range") === `bytes ${from}-${to - 1}/${size}` && !answer.headers.get("Content-Encoding")) return read(answer, n => tell(n, piece.bytes));
      if (answer) answer.body.cancel().catch(() => {});
      await Evenhand.need("whole.js");
    }
    const file = await Evenhand.whole(path, size, tell, signal);
    return new Uint8Array(await file.slice(from, to).arrayBuffer());
  }

  // The bytes of a piece. tell(n, all, twice) reports how many are there so far of all
  // that are on their way; twice: another caller gets the same report.
  async function bytesOf(piece, tell = () => {}, signal) {
    if (onDisk) await Evenhand.need("disk.js");
    const bytes = await (onDisk ? Evenhand.fromDisk(piece.script) : piece.part ? partOf(piece, tell, signal) : ask(piece.path, { signal }).then(a => read(a, n => tell(n, piece.bytes))));
    if (piece.part && bytes.length !== piece.bytes) throw new Error(`${onDisk ? piece.script : piece.path} gives ${bytes.length} bytes instead of ${piece.bytes}: it is not the file of this page`);
    return bytes;
  }

  // A FLAC file of one piece: a stream header for its length, and its blocks as they are.
  // Source: RFC 9639, 8.2.
  function fileOf(bytes, { frames, part }, rate) {
    const out = new Uint8Array(42 + bytes.length - part.head), v = new DataView(out.buffer);
    out.set([0x66, 0x4c, 0x61, 0x43, 0x80, 0, 0, 34]);
    v.setUint16(8, part.block);
    v.setUint16(10, part.block);
    v.setUint32(18, rate << 12 | part.channels - 1 << 9 | part.bits - 1 << 4); // lengths of blocks, before, are not known, nor is the MD5 behind
    v.setUint32(22, frames);
    out.set(bytes.subarray(part.head), 42);
    return out;
  }

  let decoder = null;
  // The samples of a piece, at the files' own rate: nothing is resampled.
  async function decode(bytes, piece, rate) {
    decoder = decoder || new OfflineAudioContext(1, 1, rate);
    let buffer;
    try { buffer = await decoder.decodeAudioData((piece.part ? fileOf(bytes, piece, rate) : bytes).buffer); } catch (e) {
      throw new Error(`${piece.path} cannot be decoded: this browser does not play FLAC, or the file is damaged`);
    }
    if (buffer.length !== piece.frames) throw new Error(`${piece.path} has ${buffer.length} frames instead of ${piece.frames}: it is not the file of this page`);
    buffer.getChannelData(0); // makes the collector see the buffer when it is dropped
    return buffer;
  }

  // --- Store: decoded pieces, no more than are wanted at a time ---

  function Store(rate) {
    const held = new Map();   // piece → {promise, buffer, got, all, failed}
    const late = new Map();   // piece → the same, no longer wanted, but more than half here
    const wants = new Map();  // owner → pieces
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
        bytesOf(piece, (n, all, twice) => {
          // The speed is that of what follows the first bytes: to wait for them is another matter.
          if (entry.got) bytes += twice ? 0 : n - entry.got; else flow(entry, 1);
          entry.got = n;
          entry.all = all;
          store.onprogress();
        }, entry.stop.signal)
          .then(b => {
            flow(entry, -1);
            entry.came = true;
            late.delete(piece);
            if (entry.dropped) throw new Error("no longer wanted");
            entry.got = entry.all;
            return decode(b, piece, rate);
          })
          .then(b => { entry.buffer = b; entry.resolve(b); store.onload(); }, e => { entry.failed = e; late.delete(piece); entry.reject(e); })
          .finally(() => { leave(entry); store.onprogress(); next(); });
      }
    }

    function drop(piece, entry) {
      held.delete(piece);
      entry.dropped = true;
      leave(entry);
      if (!entry.came && entry.got > entry.all / 2) late.set(piece, entry); else entry.stop.abort();
    }

    // Pieces that an owner wants from now on, the most urgent first; what nobody wants
    // any more is dropped, but a file of which more than half is here comes in.
    store.want = (owner, pieces) => {
      wants.set(owner, [...pieces]);
      const all = new Set([...wants.values()].flat());
      for (const [piece, entry] of held) if (!all.has(piece)) drop(piece, entry);
      for (const piece of pieces) {
        const old = held.get(piece), back = late.get(piece);
        if (old && !old.failed) continue;
        if (back) {
          late.delete(piece);
          back.dropped = false;
          held.set(piece, back);
          continue;
        }
        const entry = { got: 0, all: piece.bytes, stop: new AbortController() };
        entry.promise = new Promise((resolve, reject) => { entry.resolve = resolve; entry.reject = reject; });
        entry.promise.catch(() => {});
        held.set(piece, entry);
        queue.push({ entry, piece });
      }
      const rank = new Map(pieces.map((p, i) => [p, i]));
      const at = ({ piece }) => rank.has(piece) ? rank.get(piece) : 1e9;
      queue.sort((a, b) => at(a) - at(b));
      next();
      store.onprogress();
    };
    // Bytes a second over all that came, Infinity while too little did to tell.
    store.speed = () => bytes < 1 << 16 ? Infinity : bytes / (busy + (flowing ? performance.now() - since : 0)) * 1000;
    store.buffer = piece => { const e = held.get(piece); return e && e.buffer || null; };
    store.promise = piece => { const e = held.get(piece); return e ? e.promise : Promise.reject(new Error("not wanted")); };
    store.failure = piece => { const e = held.get(piece); return e && e.failed || null; };
    store.state = pieces => {
      let got = 0, size = 0, ready = 0;
      for (const p of pieces) {
        const e = held.get(p);
        size += p.bytes;
        if (e) got += p.bytes * (e.buffer ? 1 : Math.min(1, e.got / e.all));
        if (e && e.buffer) ready++;
      }
      return { got, size, ready, all: pieces.length };
    };
    // Bytes of samples held, for the memory budget.
    store.decoded = () => [...held.values()].reduce((n, e) => n + (e.buffer ? e.buffer.length * e.buffer.numberOfChannels * 4 : 0), 0);
    return store;
  }

  Evenhand.sound = { ask, read, bytesOf, decode, Store, onDisk };
})(globalThis);
