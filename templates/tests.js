// The blind tests: trials with two takes, also with a take and its repeat,
// preference, rating. Classic script; see blind.js for what they share.
(function () {
  "use strict";
  const Evenhand = globalThis.Evenhand, data = Evenhand.comparison, takes = data.takes;
  const { el, text } = Evenhand.player, blind = Evenhand.blind, stats = Evenhand.statistics, A = Evenhand.answers;
  // Only contestants are ranked. Codes number all takes.
  const rivals = [...takes.keys()].filter(i => !takes[i].aside);
  const percent = (v, n) => `${(v * 100).toFixed(n === undefined ? (v < .0995 ? 1 : 0) : n)}\u00a0%`;
  const times = (n, one, many) => `${n} ${n === 1 ? one : many || one + "s"}`;
  const chance = p => p < .0001 ? "less than 0.01\u00a0%" : percent(p, p < .01 ? 2 : p < .0995 ? 1 : 0);
  const options = (list, chosen) => list.map((n, i) => el("option", { value: i, selected: i === chosen }, n));
  let serial = 0;
  // A field with its label.
  function field(words, node) { node.id = `blind-${++serial}`; return el("span", {}, el("label", { for: node.id }, words), " ", node); }
  const stretches = blind.stretches();
  const where = () => el("select", {}, options(stretches.map(s => s.name), 0));
  // A table that may be wider than the window.
  const table = (caption, heads, rows) => el("div", { class: "scroll", tabindex: 0, role: "group", "aria-label": `Table: ${caption}` },
    el("table", {}, el("caption", {}, caption), el("thead", {}, el("tr", {}, heads.map(h => el("th", { scope: "col" }, h)))),
      el("tbody", {}, rows.map(([first, ...others]) => el("tr", {}, el("th", { scope: "row" }, first), others.map(c => el("td", {}, c)))))));

  // Said before a test: with so many takes no code is made of its result.
  const uncounted = () => takes.length > A.most ? [el("p", {}, `The answers stay with you: they cannot be counted with those of other listeners, since a code for a comment holds at most ${A.most} takes, and there are ${takes.length} here. At the end they can be saved as a JSON file.`)] : [];

  // The planner: how many answers find what. share says what the first column is.
  let plans = null;
  function planner(share) {
    plans = plans || [.55, .57, .59, .6, .65, .7, .75, .8, .9].map(p => { const n = stats.answersNeeded(p, .8, .05, 2000); return [percent(p, 0), n.answers, n.critical]; });
    return el("details", {}, el("summary", {}, "How many answers find what?"),
      el("p", { class: "small" }, "One-sided exact binomial test at 5\u00a0%, which finds the difference four times out of five. Answers without a preference do not count. Small differences are common, and no single listener gives that many answers: they take all listeners together."),
      table("Answers needed, over all listeners", [share, "Answers", "of which at least"], plans));
  }

  // A test: a form with its plan, then run() in the same place.
  function test(id, build) {
    const details = document.getElementById(id);
    if (!details) return;
    const box = el("div", { class: "test" });
    // What runs cannot be folded away: nothing else is in sight to come back by.
    details.querySelector("summary").addEventListener("click", e => { if (blind.running) e.preventDefault(); });
    details.append(box);
    const again = () => { build(box, again); box.querySelector("select, button").focus(); };
    build(box, again);
  }

  // Loads, then hands over to the test; failures are told in place. test has
  // the items, what they are called, the sealed key, the takes that are used
  // and the keys that answer.
  async function enter(box, again, stretch, test, go) {
    if (blind.running) return;
    blind.running = true;
    const status = el("p", { role: "status" }, "Loading everything first");
    box.replaceChildren(status);
    let booth;
    try { booth = await blind.Booth(test.items, stretch, test.used, s => text(status, s)); } catch (e) {
      blind.running = false;
      box.replaceChildren(el("p", { role: "status" }, `Sorry: ${e.message}. The test cannot be run.`), el("p", {}, el("button", { type: "button", onclick: again }, "Back")));
      return;
    }
    go(booth, blind.panel(box, booth, test.names, test.sealed, again, test.keys || []));
    box.querySelector("button.main").focus();
  }

  function result(box, again, ...content) {
    const head = el("p", { class: "result", tabindex: -1 }, content.shift());
    box.replaceChildren(head, ...content.flat().filter(Boolean), el("p", {}, el("button", { type: "button", onclick: again }, "Another test")));
    head.focus();
  }

  // Questions one after another: heard are the items that must be heard before
  // an answer, buttons [words, value, key], next(n) sets the items up and
  // returns the words of question n, done(answers) ends it.
  function questions(booth, p, count, heard, buttons, next, done) {
    const answers = [], status = el("p", { role: "status" });
    let words = next(0);
    const ready = () => p.heard(heard, status, words);
    const answer = v => {
      if (!ready()) return;
      answers.push(v);
      if (answers.length === count) { p.leave(); done(answers); return; }
      words = next(answers.length);
      booth.rewind(0);
    };
    const nodes = buttons.map(([w, v]) => el("button", { type: "button", onclick: () => answer(v) }, w));
    p.onchange = () => { const ok = ready(); nodes.forEach(b => b.setAttribute("aria-disabled", !ok)); };
    p.work.append(status, el("div", { class: "row big ask", role: "group", "aria-label": "Your answer" }, nodes));
    buttons.forEach((_, i) => { p.keys[buttons[i][2]] = () => nodes[i].click(); });
    p.onchange();
  }

  // --- Two takes: which of them is X? ---

  const choice = chosen => el("select", {}, options(rivals.map(i => takes[i].name), chosen));
  trials("blind-trials", "", () => {
    const a = choice(0), b = choice(1);
    return { fields: [field("A", a), field("B", b)], pair: () => [rivals[a.value], rivals[b.value]] };
  }, "you can tell these two takes apart, on this section and with what you listened on.");

  // A take and its repeat: whoever tells them apart hears the session, not a device.
  trials("blind-same", "A and B record one setting twice. Any difference between them comes from the two passes, not from a device. ", () => {
    const pairs = [...takes.keys()].filter(i => takes[i].repeats).map(i => [takes[i].repeats - 1, i]);
    const which = el("select", {}, options(pairs.map(p => p.map(i => takes[i].name).join(" and ")), 0));
    return { fields: [field("Takes", which)], pair: () => pairs[which.value] };
  }, "they sound different, on this section and with what you listened on. A difference between two devices that is no greater than this one shows nothing.");

  // choose makes the fields that choose two takes; told ends the sentence about a
  // rare result.
  function trials(id, intro, choose, told) { test(id, (box, again) => {
    const { fields, pair } = choose();
    const n = el("input", { type: "number", min: 5, max: 100, value: 16 }), part = where(), plan = el("p", { role: "status" });
    const planned = () => Math.max(5, Math.min(100, Math.round(Number(n.value)) || 16));
    function replan() {
      const s = stats.trialsShow(planned(), .8, .05), small = stats.answersNeeded(.6, .8, .05, 2000);
      text(plan, `With ${s.trials} trials, ${s.critical} must be right to count: guessing gets that far in ${percent(s.chance, 1)} of tests. ` +
        `Someone who truly knows X in ${percent(s.finds, 0)} of trials gets there four times out of five; a smaller difference will mostly be missed. ` +
        (s.trials < 10 ? "Fewer than 10 trials show little: take more. " : "") +
        `Small differences need many listeners: one that is heard rightly in 60 % of trials needs about ${small.answers} answers, from all listeners.`);
    }
    n.addEventListener("input", replan);
    const start = el("button", { type: "button", class: "main", onclick: run }, "Start");
    box.replaceChildren(el("p", {}, intro + "Each trial plays A, B and X. X is one of the other two, drawn anew each time. Which one is X? Your score is shown only after the last trial, and the number of trials is fixed before the first."),
      ...uncounted(),
      el("div", { class: "row" }, fields, field("Section", part), field("Trials", n)), plan, planner("Truly right"), el("p", {}, start));
    replan();

    function run() {
      const [ta, tb] = pair(), count = planned(), stretch = stretches[Number(part.value)];
      if (ta === tb) { text(plan, "Choose two different takes."); return; }
      const x = Array.from({ length: count }, () => blind.random(2));
      const sealed = blind.seal({ test: "trials", a: takes[ta].name, b: takes[tb].name, section: stretch.name, x: x.map(v => "AB"[v]).join("") });
      const items = [{ take: ta }, { take: tb }, { take: -1 }];
      const next = k => { items[2].take = [ta, tb][x[k]]; return `Trial ${k + 1} of ${count}. Which one is X?`; };
      next(0);
      enter(box, again, stretch, { items, names: ["A", "B", "X"], keys: ["1", "2"], sealed, used: [ta, tb] }, (booth, p) =>
        questions(booth, p, count, [2], ["A", "B"].map((name, v) => [name, v, String(v + 1)]), next, show));

      function show(answers) {
        const right = answers.filter((v, i) => v === x[i]).length;
        const chanceOf = stats.tail(right, count, .5), [low, high] = stats.interval(right, count, .95), need = stats.critical(count, .05);
        result(box, again, `${right} of ${count} right.`,
          el("p", {}, `By guessing alone, ${right} or more of ${count} are right in ${chance(chanceOf)} of such tests. ` + (need !== null && right >= need ? `That is rare enough to say: ${told}` : "That is not rare enough to say that you can tell them apart. It does not show that there is no difference: you may not have heard it here, or the test was too short to find it.")),
          el("p", {}, `The share that you would get right in the long run lies between ${percent(low, 0)} and ${percent(high, 0)} (95\u00a0% confidence, Clopper–Pearson; guessing is 50\u00a0%). The first figure is the exact one-sided binomial p-value.`),
          blind.finish({ kind: "trials", trials: { a: Math.min(ta, tb), b: Math.max(ta, tb), planned: count, done: count, correct: right } }, sealed, { p_value: chanceOf, interval: [low, high] }));
      }
    }
  }); }

  // --- Preference ---

  test("blind-preference", (box, again) => {
    // All pairs only as far as one sitting goes, and of very many takes each
    // once or twice: more than 60 pairs nobody answers with care.
    const n = rivals.length, full = n * (n - 1) / 2, longest = 60, choices = [];
    const plan = (reach, pairs, words) => choices.push([reach, `${words}, about ${Math.ceil((pairs + 1) / 3)} min`]); // 20 s a pair
    if (full <= longest) plan(n, full, `all ${full} pairs`);
    for (const r of [1, 2]) if (r <= Math.floor((n - 1) / 2) && n * r < full && n * r <= longest) plan(r, n * r, `${n * r} pairs, each take ${2 * r} times`);
    if (n > 20) plan(.5, Math.floor(n / 2), `${Math.floor(n / 2)} pairs, each take ${n % 2 ? "at most " : ""}once`);
    // More than 15 pairs tire: then a fair part is suggested.
    const how = el("select", {}, choices.map(([r, words], i) => el("option", { value: r, selected: i === (full > 15 ? choices.length - 1 : 0) }, words))), part = where();
    const start = el("button", { type: "button", class: "main", onclick: run }, "Start");
    const needs = stats.answersNeeded(.6, .8, .05, 2000);
    box.replaceChildren(el("p", {}, "Two hidden takes at a time, each called First or Second equally often. Say which you prefer, or that you have no preference. One of the pairs is the same take twice: what you answer there shows how much a preference means where there is no difference."),
      ...uncounted(),
      el("p", {}, `One listener’s answers show one listener’s taste. To find that 60 of 100 people prefer one take of a pair, about ${needs.answers} answers about that pair are needed, from all listeners.`),
      planner("Prefer one take"), el("div", { class: "row" }, field("Section", part), field("Number", how)), el("p", {}, start));

    function run() {
      const stretch = stretches[Number(part.value)], list = blind.pairs(n, Number(how.value)).map(p => p.map(i => rivals[i])), same = rivals[blind.random(n)];
      list.splice(blind.random(list.length + 1), 0, [same, same]);
      const sealed = blind.seal({ test: "preference", section: stretch.name, pairs: list.map(p => p.map(i => takes[i].name)) });
      const items = [{}, {}];
      const next = k => { list[k].forEach((take, i) => { items[i].take = take; }); return `Pair ${k + 1} of ${list.length}.`; };
      next(0);
      enter(box, again, stretch, { items, names: ["First", "Second"], keys: ["1", "0", "2"], sealed, used: rivals }, (booth, p) =>
        questions(booth, p, list.length, [0, 1], [["I prefer the first", A.first, "1"], ["No preference", A.tie, "0"], ["I prefer the second", A.second, "2"]], next, show));

      function show(answers) {
        const all = takes.length, outcome = new Array(all * (all - 1) / 2).fill(A.notAsked), won = takes.map(() => 0), lost = takes.map(() => 0), tied = takes.map(() => 0);
        let zero = A.notAsked;
        list.forEach(([f, s], i) => {
          const v = answers[i];
          if (f === s) { zero = v; return; }
          outcome[A.pairIndex(Math.min(f, s), Math.max(f, s), all)] = v === A.tie ? A.tie : (v === A.first) === (f < s) ? A.first : A.second;
          if (v === A.tie) { tied[f]++; tied[s]++; } else { const w = v === A.first ? f : s; won[w]++; lost[w === f ? s : f]++; }
        });
        const order = [...rivals].sort((i, k) => won[k] - lost[k] - (won[i] - lost[i]) || i - k);
        result(box, again, won.some(w => w) ? `Most often preferred: ${order.filter(i => won[i] - lost[i] === won[order[0]] - lost[order[0]]).map(i => takes[i].name).join(", ")}.` : "You preferred none to any other.",
          el("p", {}, zero === A.tie ? `The hidden pair was ${takes[same].name} twice, and you had no preference there, as it should be.` : `The hidden pair was ${takes[same].name} twice, and you preferred the ${zero === A.first ? "first" : "second"}: so a preference of yours can come from nothing in the sound. Read the table with that in mind.`),
          table("Your preferences", ["Take", "preferred", "not preferred", "no preference", "as one-sided by chance"], order.map(i => [takes[i].name, won[i], lost[i], tied[i], chance(stats.twoSided(won[i], won[i] + lost[i]))])),
          el("p", { class: "small" }, `The last column says how often answers without any preference would be at least as one-sided as that (two-sided sign test, without the ties). Among ${times(n, "take")}, one of them below 5 % is not remarkable.`),
          blind.finish({ kind: "preference", preference: { pairs: outcome, same_take: same, same: zero } }, sealed, { preferred: rivals.map(i => ({ take: takes[i].name, won: won[i], lost: lost[i], tied: tied[i] })) }));
      }
    }
  });

  // --- Rating against the reference ---

  test("blind-ratings", (box, again) => {
    // With the two hidden copies at most twelve at once, as the recommendation asks.
    const reference = data.reference, most = 10, part = where();
    const others = rivals.filter(i => i !== reference);
    const start = el("button", { type: "button", class: "main", onclick: run }, "Start");
    box.replaceChildren(el("p", {}, `${others.length > most ? `${most} takes, drawn from ${others.length},` : "All takes"} at once, in random order and under letters, with ${takes[reference].name} as the open reference. Among them are a hidden copy of the reference, which should get 100, and a dull one: the reference without what lies above 3.5 kHz, brought to the same loudness. Say how close each is to the reference. The idea is that of ITU-R BS.1534-3; one listener on unknown loudspeakers is not a listening panel as that Recommendation means it.`),
      el("p", {}, "One rating of each take shows your hearing and no more. Where ratings of many listeners are put together, those of a listener whose hidden copy gets less than 90 are left out, as the Recommendation does."),
      ...uncounted(),
      el("div", { class: "row" }, field("Section", part)), el("p", {}, start));

    function run() {
      const stretch = stretches[Number(part.value)];
      const hidden = blind.shuffle([...blind.shuffle(others).slice(0, most).map(take => ({ take })), { take: reference, copy: true }, { take: reference, low: true }]);
      const nameOf = h => h.low ? "low-passed copy of the reference" : h.copy ? "hidden copy of the reference" : takes[h.take].name;
      const letters = hidden.map((_, i) => String.fromCharCode(65 + i)); // up to L: P plays
      const sealed = blind.seal({ test: "ratings", section: stretch.name, order: hidden.map((h, i) => [letters[i], nameOf(h)]) });
      const used = [...takes.keys()].filter(i => i === reference || hidden.some(h => h.take === i));
      enter(box, again, stretch, { items: [{ take: reference }, ...hidden], names: ["0 Reference", ...letters], sealed, used }, (booth, p) => {
        const status = el("p", { role: "status" }), rated = hidden.map(() => false);
        const sliders = hidden.map((_, i) => {
          const s = el("input", { type: "range", class: "unrated", min: 0, max: 100, step: 1, value: 50, "aria-label": `${letters[i]}: how close to the reference, from 0, nothing like it, to 100, the same`, "aria-valuetext": "not rated" }), out = el("span", {}, "–");
          s.addEventListener("input", () => { rated[i] = true; s.className = ""; text(out, s.value); s.setAttribute("aria-valuetext", `${s.value} of 100`); tell(); });
          p.work.append(el("div", { class: "rate" }, p.buttons[i + 1], s, out));
          return s;
        });
        p.work.prepend(el("p", { class: "small" }, "0: nothing like the reference; 100: the same. The letters and 0 switch what you hear; the arrow keys move a slider."));
        const done = el("button", { type: "button", class: "main", onclick: () => { if (tell()) { p.leave(); show(sliders.map(s => Number(s.value))); } } }, "Done");
        const tell = () => {
          const left = rated.filter(r => !r).length, words = left ? `${left} of ${hidden.length} not rated yet.` : "All rated.";
          const ok = p.heard([...booth.items.keys()], status, words) && !left;
          done.setAttribute("aria-disabled", !ok);
          return ok;
        };
        p.onchange = tell;
        p.work.append(status, el("p", {}, done));
        tell();
      });

      function show(values) {
        const of = f => values[hidden.findIndex(f)], copy = of(h => h.copy), low = of(h => h.low);
        const order = [...hidden.keys()].sort((i, k) => values[k] - values[i] || i - k);
        const given = i => { const k = hidden.findIndex(h => h.take === i && !h.low && !h.copy); return k < 0 ? A.notRated : values[k]; };
        result(box, again, copy >= 90 ? `You knew the hidden reference: ${copy} of 100.` : `The hidden reference got ${copy} of 100 from you.`,
          el("p", {}, copy >= 90 ? (low < copy ? "The dull copy came below it, as it should. Differences of a few points between takes are within what one listener repeats." : "But the dull copy came no lower: the treble above 3.5 kHz is hard to hear where you listen, so small differences will be too.") : "It was the very sound that you compared it with, so differences of that size between other takes mean nothing here. When ratings of many listeners are put together, sets like this one are left out."),
          table(`How close to ${takes[reference].name}`, ["What it was", "Rating"], order.map(i => [nameOf(hidden[i]), values[i]])),
          blind.finish({ kind: "ratings", ratings: { takes: takes.map((_, i) => given(i)), hidden: copy, anchor: low } }, sealed, {}));
      }
    }
  });
})();
