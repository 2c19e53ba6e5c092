// Bytes of a piece for a page that was opened from a disk, which may not fetch but may
// load scripts: for each piece there is a script that hands over its bytes in base64.
// Classic script, loaded with the first piece.
(function () {
  "use strict";
  const Evenhand = globalThis.Evenhand;
  const scripts = new Map(); // name → {text: promise of base64, found}
  Evenhand.audio = (name, base64) => { const f = scripts.get(name); if (f) f.found(base64); };

  function fromBase64(text) {
    if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
    return out;
  }

  // Whoever asks for a piece that is already on its way waits for the same script.
  Evenhand.fromDisk = name => {
    let one = scripts.get(name);
    if (!one) {
      scripts.set(name, one = {});
      const s = document.createElement("script");
      one.text = new Promise((resolve, reject) => {
        one.found = resolve;
        s.onerror = () => reject(new Error(`${name} is missing`));
        s.onload = () => reject(new Error(`${name} holds no audio`)); // too late when it was found
      }).finally(() => { scripts.delete(name); s.remove(); });
      s.src = name;
      document.head.append(s);
    }
    return one.text.then(fromBase64);
  };
})();
