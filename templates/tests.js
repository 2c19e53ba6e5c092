// The three blind tests: trials with two takes, preference, rating. Classic
// script; see blind.js for what they share.
(function () {
  "use strict";
  const Evenhand = globalThis.Evenhand, data = Evenhand.comparison, takes = data.takes;
  const { el, text } = Evenhand.player, blind = Evenhand.blind, stats = Evenhand.statistics, A = Evenhand.answers;
  const percent = (v, n) => `${(v * 100).toFixed(n === undefined ? (v < .0995 ? 1 : 0) : n)} %`;
  const times = (n, one, many) => `${n} ${n === 1 ? one : many || one + "s"}`;
  const chance = p => p < .0001 ? "less than 0.01 %" : percent(p, p < .01 ? 2 : 1);
  const options = (list, chosen) => list.map((n, i) => el("option", { value: i, selected: i === chosen }, n));
  let serial = 0;
  // A field with its label.
  function field(words, node) { node.id = `blind-${++serial}`; return el("span", {}, el("label", { for: node.id }, words), " ", node); }
  const stretches = blind.stretches();
  const where = () => el("select", {}, options(stretches.map(s => s.name), 0));

  // A test: a form with its plan, then run() in the same place.
  function test(id, build) {
    const details = document.getElementById(id);
    if (!details) return;
    const box = el("div", { class: "test" });
    details.append(box);
    const again = () => build(box, again);
    again();
  }

  // Loads, then hands over to the test; failures are told in place.
  async function enter(box, again, items, stretch, names, sealed, used, go) {
    if (blind.running) return;
    blind.running = true;
    const status = el("p", { role: "status" }, "Loading everything first");
    box.replaceChildren(status);
    let booth;
    try { booth = await blind.Booth(items, stretch, used, s => text(status, s)); } catch (e) {
      blind.running = false;
      box.replaceChildren(el("p", { role: "status" }, `Sorry: ${e.message}. The test cannot be made.`), el("p", {}, el("button", { type: "button", onclick: again }, "Back")));
      return;
    }
    const p = blind.panel(box, booth, names, sealed, again);
    go(booth, p);
    box.querySelector("button.main").focus();
  }

  function result(box, again, ...content) {
    const head = el("p", { class: "result", tabindex: -1 }, content.shift());
    box.replaceChildren(head, ...content.flat().filter(Boolean), el("p", {}, el("button", { type: "button", onclick: again }, "Another test")));
    head.focus();
  }

  // --- Two takes: which of them is X? ---

  test("blind-trials", (box, again) => {
    const a = el("select", {}, options(takes.map(t => t.name), 0)), b = el("select", {}, options(takes.map(t => t.name), 1));
    const n = el("input", { type: "number", min: 5, max: 100, value: 16 }), part = where(), plan = el("p", { role: "status" });
    const planned = () => Math.max(5, Math.min(100, Math.round(Number(n.value)) || 16));
    function replan() {
      const s = stats.trialsShow(planned(), .8, .05), small = stats.answersNeeded(.6, .8, .05, 2000);
      text(plan, `With ${s.trials} trials, ${s.critical} must be right to count: guessing gets that far in ${percent(s.chance, 1)} of tests. ` +
        `Who truly knows X in ${percent(s.finds, 0)} of trials gets there four times out of five; a smaller difference will mostly be missed. ` +
        (s.trials < 10 ? "Fewer than 10 trials show little: take more. " : "") +
        `Small differences need many listeners: one that is heard in 60 % of trials needs about ${small.answers} answers, over all readers.`);
    }
    n.addEventListener("input", replan);
    const start = el("button", { type: "button", class: "main", onclick: run }, "Start");
    box.replaceChildren(el("p", {}, "Each trial plays A, B and X. X is one of the other two, drawn anew each time. Say which. How you are doing is told after the last trial only, and the number of trials is fixed before the first."),
      el("div", { class: "row" }, field("A", a), field("B", b), field("Section", part), field("Trials", n)), plan, start);
    if (takes.length < 2) { start.disabled = true; return; }
    replan();

    function run() {
      const ta = Number(a.value), tb = Number(b.value), count = planned(), stretch = stretches[Number(part.value)];
      if (ta === tb) { text(plan, "Choose two different takes."); return; }
      const x = Array.from({ length: count }, () => blind.random(2));
      const sealed = blind.seal({ test: "trials", a: takes[ta].name, b: takes[tb].name, section: stretch.name, x: x.map(v => "AB"[v]).join("") });
      const items = [{ take: ta }, { take: tb }, { take: [ta, tb][x[0]] }];
      enter(box, again, items, stretch, ["A", "B", "X"], sealed, [ta, tb], (booth, p) => {
        let done = 0, right = 0;
        const status = el("p", { role: "status" });
        const answer = v => {
          if (v === x[done]) right++;
          if (++done === count) { p.leave(); show(); return; }
          items[2].take = [ta, tb][x[done]];
          booth.rewind(0);
          next();
        };
        const next = () => text(status, `Trial ${done + 1} of ${count}`);
        p.work.append(status, el("div", { class: "row big" }, ["A", "B"].map((name, v) => el("button", { type: "button", onclick: () => answer(v) }, `X is ${name}`))));
        next();
        function show() {
          const chanceOf = stats.tail(right, count, .5), [low, high] = stats.interval(right, count, .95), need = stats.critical(count, .05);
          const low_ = Math.min(ta, tb), high_ = Math.max(ta, tb);
          result(box, again, `${right} of ${count} right.`,
            el("p", {}, `By guessing alone, ${right} or more of ${count} come in ${chance(chanceOf)} of such tests. ` + (need !== null && right >= need ? "That is rare enough to say: you can tell these two takes apart, on this section and with what you listened on." : "That is not rare enough to say that you can tell them apart. It does not show that there is no difference: you may not have heard it here, or the test was too short to find it.")),
            el("p", {}, `The share that you would get right in the long run lies between ${percent(low, 0)} and ${percent(high, 0)} (95 % confidence, Clopper–Pearson; guessing is 50 %).`),
            blind.finish({ kind: "trials", trials: { a: low_, b: high_, planned: count, done: count, correct: right } }, sealed, { p_value: chanceOf, interval: [low, high] }));
        }
      });
    }
  });

  // --- Preference ---

  test("blind-preference", (box, again) => {
    const n = takes.length, full = n * (n - 1) / 2, choices = [];
    for (let r = 1; r <= Math.floor((n - 1) / 2) && n * r < full; r++) if (r <= 2 || n * r === full) choices.push([r, `${n * r} pairs, each take ${2 * r} times`]);
    choices.unshift([n, `all ${full} pairs`]);
    const how = el("select", {}, choices.map(([r, words]) => el("option", { value: r }, words))), part = where();
    const start = el("button", { type: "button", class: "main", onclick: run }, "Start");
    const needs = stats.answersNeeded(.6, .8, .05, 2000);
    box.replaceChildren(el("p", {}, "Two hidden takes at a time, each called First or Second equally often. Say which you prefer, or that you do not. One of the pairs is the same take twice: what you answer there shows what a preference means when there is none to have."),
      el("p", {}, `One listener’s answers show one listener’s taste. To find that 60 of 100 people prefer one take of a pair, about ${needs.answers} answers about that pair are needed, over all readers.`),
      el("div", { class: "row" }, field("Section", part), field("Number", how)), start);
    if (n < 2) { start.disabled = true; return; }

    function run() {
      const stretch = stretches[Number(part.value)], list = blind.pairs(n, Number(how.value)), same = blind.random(n);
      list.splice(blind.random(list.length + 1), 0, [same, same]);
      const sealed = blind.seal({ test: "preference", section: stretch.name, pairs: list.map(p => p.map(i => takes[i].name)) });
      const items = list[0].map(take => ({ take }));
      enter(box, again, items, stretch, ["First", "Second"], sealed, [...takes.keys()], (booth, p) => {
        const answers = [], status = el("p", { role: "status" });
        const next = () => text(status, `Pair ${answers.length + 1} of ${list.length}`);
        const answer = v => {
          answers.push(v);
          if (answers.length === list.length) { p.leave(); show(answers); return; }
          list[answers.length].forEach((take, k) => { items[k].take = take; });
          booth.rewind(0);
          next();
        };
        p.work.append(status, el("div", { class: "row big" }, [["I prefer the first", A.first], ["No preference", A.tie], ["I prefer the second", A.second]].map(([w, v]) => el("button", { type: "button", onclick: () => answer(v) }, w))));
        next();
      });

      function show(answers) {
        const outcome = new Array(full).fill(A.notAsked), won = takes.map(() => 0), lost = takes.map(() => 0), tied = takes.map(() => 0);
        let zero = A.notAsked;
        list.forEach(([f, s], i) => {
          const v = answers[i];
          if (f === s) { zero = v; return; }
          outcome[A.pairIndex(Math.min(f, s), Math.max(f, s), n)] = v === A.tie ? A.tie : (v === A.first) === (f < s) ? A.first : A.second;
          if (v === A.tie) { tied[f]++; tied[s]++; } else { const w = v === A.first ? f : s; won[w]++; lost[w === f ? s : f]++; }
        });
        const order = [...takes.keys()].sort((i, k) => won[k] - lost[k] - (won[i] - lost[i]) || i - k);
        const rows = order.map(i => el("tr", {}, el("th", { scope: "row" }, takes[i].name), el("td", {}, won[i]), el("td", {}, lost[i]), el("td", {}, tied[i]), el("td", {}, chance(stats.twoSided(won[i], won[i] + lost[i])))));
        result(box, again, won.some(w => w) ? `Most often preferred: ${order.filter(i => won[i] - lost[i] === won[order[0]] - lost[order[0]]).map(i => takes[i].name).join(", ")}.` : "You preferred none to any other.",
          el("p", {}, zero === A.tie ? `The hidden pair was ${takes[same].name} twice, and you had no preference there, as it should be.` : `The hidden pair was ${takes[same].name} twice, and you preferred the ${zero === A.first ? "first" : "second"}: so one preference of yours can come from nothing in the sound. Read the table with that in mind.`),
          el("div", { class: "scroll", tabindex: 0, role: "group", "aria-label": "Table: your preferences" }, el("table", {}, el("caption", {}, "Your preferences"), el("thead", {}, el("tr", {}, ["Take", "preferred", "not preferred", "no preference", "as one-sided by chance"].map(h => el("th", { scope: "col" }, h)))), el("tbody", {}, rows))),
          el("p", { class: "small" }, `The last column says how often answers without any preference would be at least as one-sided as that (two-sided sign test, without the ties). Among ${times(n, "take")}, one of them below 5 % is not remarkable.`),
          blind.finish({ kind: "preference", preference: { pairs: outcome, same_take: same, same: zero } }, sealed, { preferred: takes.map((t, i) => ({ take: t.name, won: won[i], lost: lost[i], tied: tied[i] })) }));
      }
    }
  });

  // --- Rating against the reference ---

  test("blind-ratings", (box, again) => {
    const reference = data.reference, part = where();
    const others = [...takes.keys()].filter(i => i !== reference);
    const start = el("button", { type: "button", class: "main", onclick: run }, "Start");
    box.replaceChildren(el("p", {}, `All takes at once, in a drawn order and under letters, with ${takes[reference].name} open as the reference. Among them are a hidden copy of the reference, which should get 100, and a dull one, the reference without what lies above 3.5 kHz, brought to the same loudness. Say of each how close it is to the reference. The idea is that of ITU-R BS.1534-3; one reader on unknown loudspeakers is not a listening panel after that Recommendation.`),
      el("p", {}, "One rating of each shows your hearing and no more. Whose hidden copy gets less than 90 is left out where ratings of many readers are put together."),
      el("div", { class: "row" }, field("Section", part)), start);
    if (others.length < 1 || others.length > 20) { start.disabled = true; return; }

    function run() {
      const stretch = stretches[Number(part.value)];
      const hidden = blind.shuffle([...others.map(take => ({ take })), { take: reference, copy: true }, { take: reference, low: true }]);
      const nameOf = h => h.low ? "low-passed copy of the reference" : h.copy ? "hidden copy of the reference" : takes[h.take].name;
      const letters = hidden.map((_, i) => String.fromCharCode(65 + i + (i >= 15 ? 1 : 0))); // no P: it plays
      const sealed = blind.seal({ test: "ratings", section: stretch.name, order: hidden.map((h, i) => [letters[i], nameOf(h)]) });
      enter(box, again, [{ take: reference }, ...hidden], stretch, ["0 Reference", ...letters], sealed, [...takes.keys()], (booth, p) => {
        const status = el("p", { role: "status" }), rated = hidden.map(() => false);
        const sliders = hidden.map((_, i) => {
          const s = el("input", { type: "range", min: 0, max: 100, step: 1, value: 50, "aria-label": `${letters[i]}: how close to the reference, from 0, nothing like it, to 100, the same` }), out = el("output", {}, "–");
          s.addEventListener("input", () => { rated[i] = true; text(out, s.value); s.setAttribute("aria-valuetext", `${s.value} of 100`); tell(); });
          s.setAttribute("aria-valuetext", "not rated");
          p.work.append(el("div", { class: "rate" }, el("div", { class: "ends" }, el("strong", {}, letters[i]), el("span", {}, "0 nothing like it · 100 the same"), out), s));
          return s;
        });
        const done = el("button", { type: "button", class: "main", onclick: () => { p.leave(); show(sliders.map(s => Number(s.value))); } }, "Done");
        const tell = () => { const left = rated.filter(r => !r).length; done.disabled = left > 0; text(status, left ? `${left} of ${hidden.length} not rated yet` : "All rated"); };
        tell();
        p.work.append(status, done);
      });

      function show(values) {
        const of = f => values[hidden.findIndex(f)], copy = of(h => h.copy), low = of(h => h.low);
        const order = [...hidden.keys()].sort((i, k) => values[k] - values[i] || i - k);
        const rows = order.map(i => el("tr", {}, el("th", { scope: "row" }, nameOf(hidden[i])), el("td", {}, values[i])));
        result(box, again, copy >= 90 ? `You knew the hidden reference: ${copy} of 100.` : `The hidden reference got ${copy} of 100 from you.`,
          el("p", {}, copy >= 90 ? (low < copy ? "The dull copy came below it, as it should. Differences of a few points between takes are within what one listener repeats." : "But the dull copy came no lower: the treble above 3.5 kHz is hard to hear where you listen, so small differences will be too.") : "It was the very sound that you compared it with, so differences of that size between other takes mean nothing here. When ratings of many readers are put together, sets like this one are left out."),
          el("div", { class: "scroll", tabindex: 0, role: "group", "aria-label": "Table: your ratings" }, el("table", {}, el("caption", {}, `How close to ${takes[reference].name}`), el("thead", {}, el("tr", {}, ["What it was", "Rating"].map(h => el("th", { scope: "col" }, h)))), el("tbody", {}, rows))),
          blind.finish({ kind: "ratings", ratings: { takes: takes.map((_, i) => i === reference ? A.notRated : of(h => h.take === i && !h.low && !h.copy)), hidden: copy, anchor: low } }, sealed, {}));
      }
    }
  });
})();
