// Blending the two microphones of a take. Classic script, loaded when a reader
// opens a blend.
(function () {
  "use strict";
  const Evenhand = globalThis.Evenhand, player = Evenhand.player, { el, text } = player;
  const amplitude = db => Math.pow(10, db / 20);

  // Gains of a take's two voices for a blend: the take as published, from
  // which the lone microphone is taken out or to which it is added. Loudness
  // and peak come from a table of blends, linear in between.
  player.blendGains = function (take, position) {
    const b = Evenhand.comparison.takes[take].blend;
    let i = 1;
    while (i < b.steps.length - 1 && b.steps[i][0] < position) i++;
    const [p0, g0, k0] = b.steps[i - 1], [p1, g1, k1] = b.steps[i];
    const x = p1 > p0 ? (position - p0) / (p1 - p0) : 0;
    const gain = amplitude(g0 + (g1 - g0) * x);
    const left = (1 - position) * gain, right = position * gain;
    const [own, alone] = b.side === "right" ? [left, right] : [right, left];
    const t = own / b.own;
    return { take: t, mic: (alone - t * b.alone) / b.scale, peak: k0 + (k1 - k0) * x };
  };

  player.setBlend = async function (i, position) {
    player.blends[i] = position;
    player.want();
    if (position !== null && player.levels === "sections") player.setLevels("whole"); // blends are measured over the whole
    if (position !== null && player.deck.real) {
      const pieces = player.voices[player.mics[i]].pieces;
      try { await Promise.all(player.deck.pieces(player.deck.position()).map(k => player.store.promise(pieces[k]))); } catch (e) { return; }
    }
    if (!player.deck.real) return;
    player.deck.setLevel(player.headroom());
    player.deck.mix(player.mixture());
  };

  // Fills the opened part of a take with its slider.
  player.openBlend = function (details) {
    const i = Number(details.dataset.take), { name, blend: b } = Evenhand.comparison.takes[i];
    if (!b || details.children.length > 1) return;
    const words = p => p <= 0 ? `${b.left} alone` : p >= 1 ? `${b.right} alone` : `${b.left} ${Math.round((1 - p) * 100)} %, ${b.right} ${Math.round(p * 100)} %`;
    const out = el("span", {}, words(b.start));
    const slider = el("input", { type: "range", min: 0, max: 1, step: .01, autocomplete: "off", "aria-label": `Blend of ${name}, from ${b.left} to ${b.right}`, "aria-valuetext": words(b.start) });
    slider.value = b.start;
    const set = p => {
      text(out, words(p === null ? b.start : p));
      slider.setAttribute("aria-valuetext", out.textContent);
      player.setBlend(i, p);
    };
    slider.addEventListener("input", () => set(Number(slider.value)));
    details.append(el("div", { class: "ends" }, el("span", {}, b.left), el("span", {}, b.right)), slider,
      el("p", { class: "small" }, out, `. Every blend is brought to the same loudness, from a table measured at ${b.steps.length} blends; where one would clip, all takes are lowered together.`),
      el("p", {}, el("button", { type: "button", onclick: () => { slider.value = b.start; set(null); } }, "As published")));
  };
})();
