// The check of the page's figures against what the reader's browser measures.
// Classic script; see meter.js for the measurement.
(function () {
  "use strict";
  const Evenhand = globalThis.Evenhand, { Meter, channelsOf, sha256 } = Evenhand;

  // Measures a take from its pieces, one decoded at a time; tell(n) reports the pieces
  // done. The SHA-256 is of the bytes as they came: of the whole file that the pieces
  // are, or of each piece that is a file, as in reports of earlier versions.
  async function measure(take, rate, tell) {
    const { bytesOf, decode } = Evenhand.sound;
    const meter = Meter(rate, take.channels), files = [], whole = new Uint8Array(take.pieces[0].part ? take.pieces[0].part.size : 0);
    let done = 0;
    for (const piece of take.pieces) {
      const bytes = await bytesOf(piece);
      if (piece.part) whole.set(bytes, piece.part.from); else files.push({ path: piece.path, got: sha256(bytes), published: piece.sha256 });
      meter.write(channelsOf(await decode(bytes, piece, rate)));
      tell(++done);
      await new Promise(r => setTimeout(r)); // the page stays alive
    }
    if (whole.length) files.push({ path: take.path, got: sha256(whole), published: take.sha256 });
    return { integrated: meter.integrated(), peak: meter.peak(), frames: meter.frames(), files };
  }

  Evenhand.recheck = { measure };

  // --- The page ---

  const data = Evenhand.comparison, player = Evenhand.player, box = document.getElementById("recheck");
  if (!data || !player || !box) return;
  const { el, text } = player, peakTolerance = .01;
  const db = (v, n) => Number.isFinite(v) ? v.toFixed(n).replace(/^-(?=[0.]*$)/, "").replace("-", "−") : "−∞"; // no −0.00
  const say = el("p", { role: "status" }), out = el("div", { class: "scroll", tabindex: 0, role: "group", "aria-label": "Table: measured in this browser" });
  const button = el("button", { type: "button", id: "recheck-run", onclick: run }, "Measure now");
  out.hidden = true;
  box.append(...[el("p", {}, `This measures the very files that the player plays, with a program of its own that is part of this page: integrated loudness by BS.1770, sample peak, and the SHA-256 of every file it plays. Loudness must agree within ${data.tolerance.toFixed(2)} LU, the peak within ${peakTolerance.toFixed(2)} dB, and every hash exactly.`),
    Evenhand.sound.onDisk ? el("p", {}, "You opened this page from a disk, where the player plays copies of the audio in scripts. These copies are measured here. To check the audio files, compare them with checksums.sha256.") : null,
    el("p", {}, button), say, out].filter(Boolean));

  async function run() {
    button.disabled = true;
    const total = data.takes.reduce((n, t) => n + t.pieces.length, 0), got = [];
    let done = 0;
    try {
      for (const t of data.takes) got.push(await measure(t, data.rate, () => text(say, `Measuring ${t.name}: ${++done} of ${total} pieces`)));
      show(got);
    } catch (e) {
      text(say, `Sorry: ${e.message}.`);
    }
    button.disabled = false;
  }

  function show(got) {
    const first = Math.max(0, data.reference);
    let wrong = 0;
    // Here, published, and whether they agree.
    const pair = (here, published, tolerance) => {
      const ok = Math.abs(here - published) <= tolerance || here === published;
      return [el("td", {}, db(here, 2)), el("td", {}, db(published, 2)), verdict(ok)];
    };
    const verdict = (ok, ...words) => {
      if (!ok) wrong++;
      return el("td", { class: ok ? "t" : "t bad" }, ok ? el("span", { role: "img", "aria-label": "agrees" }, "✓") : "differs", ...words);
    };
    const rows = data.takes.map((t, i) => {
      const g = got[i], bad = g.files.filter(f => f.got !== f.published);
      return el("tr", {}, el("th", { scope: "row" }, t.name),
        pair(g.integrated, t.integrated, data.tolerance), pair(g.peak, t.peak, peakTolerance),
        pair(g.integrated - got[first].integrated, t.integrated - data.takes[first].integrated, data.tolerance),
        verdict(!bad.length, bad.length ? `: ${bad.map(f => f.path).join(", ")}` : ` ${g.files.length === 1 ? "1 file" : `${g.files.length} files`}`));
    });
    const group = words => el("th", { scope: "colgroup", colspan: 3, class: "t" }, words);
    out.replaceChildren(el("table", {}, el("caption", {}, "Measured in this browser, compared with what was published"),
      el("thead", {}, el("tr", {}, el("th", { scope: "col", rowspan: 2 }, "Take"), group(`Loudness, LUFS, ± ${data.tolerance.toFixed(2)}`), group(`Peak, dBFS, ± ${peakTolerance.toFixed(2)}`), group(`Louder than ${data.takes[first].name}, LU`), el("th", { scope: "col", rowspan: 2, class: "t" }, "SHA-256")),
        el("tr", {}, [0, 1, 2].flatMap(() => [el("th", { scope: "col" }, "here"), el("th", { scope: "col" }, "published"), el("td", {})]))), el("tbody", {}, rows)),
      el("details", {}, el("summary", {}, "The hashes"), el("ul", { class: "seal" }, got.flatMap(g => g.files.map(f => el("li", {}, `${f.got} ${f.path}`))))));
    out.hidden = false;
    text(say, wrong ? `${wrong} of ${data.takes.length * 4} comparisons differ. These are not the files that the page was made with, or this browser alters them.` : `All ${data.takes.length * 4} comparisons agree.`);
  }
})();
