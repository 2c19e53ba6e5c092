// Bytes of a piece for a page that was opened from a disk, which may not fetch but may
// load scripts: beside each piece stands a script that hands over the same bytes in
// base64. Classic script, loaded with the first piece.
(function () {
  "use strict";
  const Evenhand = globalThis.Evenhand;
  const scripts = new Map(); // path → {text: promise of base64, found}
  Evenhand.audio = (name, base64) => { const f = scripts.get(name); if (f) f.found(base64); };

  function fromBase64(text) {
    if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
    return out;
  }

  // Whoever asks for a piece that is already on its way waits for the same script.
  Evenhand.fromDisk = path => {
    let one = scripts.get(path);
    if (!one) {
      scripts.set(path, one = {});
      const s = document.createElement("script");
      one.text = new Promise((resolve, reject) => {
        one.found = resolve;
        s.onerror = () => reject(new Error(`${path} is missing`));
        s.onload = () => reject(new Error(`${path} holds no audio`)); // too late when it was found
      }).finally(() => { scripts.delete(path); s.remove(); });
      s.src = path.replace(/\.flac$/, ".js");
      document.head.append(s);
    }
    return one.text.then(fromBase64);
  };
})();
