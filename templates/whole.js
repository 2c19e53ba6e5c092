// Whole files, where a host gives no ranges of them. Classic script, loaded with the
// first answer that shows it.
(function () {
  "use strict";
  const Evenhand = globalThis.Evenhand, { ask, read } = Evenhand.sound;
  // Files that are here, or on their way: path → {file: promise, here, tells, stop}.
  const wholes = Evenhand.wholes = new Map();

  // A file of a size as a Blob, which a browser need not keep in memory. Whoever wants a
  // piece of a file that is on its way waits for it too; when nobody does it is given up.
  Evenhand.whole = (path, size, tell, signal) => {
    if (signal && signal.aborted) return Promise.reject(new Error("no longer wanted"));
    let w = wholes.get(path);
    if (!w) {
      wholes.set(path, w = { stop: new AbortController(), tells: [] });
      w.file = ask(path, { signal: w.stop.signal }).then(a => read(a, n => w.tells.forEach((tell, i) => tell(n, size, i > 0)))).then(b => {
        if (b.length !== size) throw new Error(`${path} has ${b.length} bytes instead of ${size}: it is not the file of this page`);
        w.here = true;
        w.tells = [];
        return new Blob([b]);
      });
      w.file.catch(() => { if (wholes.get(path) === w) wholes.delete(path); });
    }
    if (w.here) return w.file;
    w.tells.push(tell);
    if (signal) signal.addEventListener("abort", () => {
      w.tells = w.tells.filter(t => t !== tell);
      if (w.here || w.tells.length) return;
      wholes.delete(path);
      w.stop.abort();
    });
    return w.file;
  };
})();
