// The plots: choosing a take, reading values, the place in the performance. Classic
// script; embed.go describes the events that it shares with the player.
(function () {
  "use strict";
  const { takes, first, colours } = document.getElementById("plots").dataset, slugs = takes.split(" ");
  const all = (s, e = document) => [...e.querySelectorAll(s)];
  const tell = (what, detail) => document.dispatchEvent(new CustomEvent("evenhand:" + what, { detail }));

  // An element with attributes; those of a drawing are in a namespace of their own.
  function make(tag, attributes, ...children) {
    const e = tag === "path" ? document.createElementNS("http://www.w3.org/2000/svg", tag) : document.createElement(tag);
    for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
    e.append(...children);
    return e;
  }

  // --- Choosing ---

  for (const th of all("tbody th[data-pick]")) { // the whole line of a table
    const line = th.parentNode;
    line.dataset.pick = th.dataset.pick;
    line.classList.add("c" + th.dataset.pick % colours);
    delete th.dataset.pick;
  }

  const none = [];
  let chosen = -1, pair = none; // pair: two takes to compare, both in colour
  const one = document.querySelector(".one"); // the plot of differences: one take at a time

  function choose(i, two = pair.includes(i) ? pair : none) {
    if (i === chosen && two === pair || !slugs[i]) return;
    chosen = i;
    if (two !== pair) offer(pair = two);
    for (const e of all("[data-pick]")) {
      const take = Number(e.dataset.pick), is = take === i;
      e.classList.toggle("chosen", is);
      e.classList.toggle("other", !is && pair.includes(take));
      if (is && e.localName === "g") e.parentNode.append(e); // on top
    }
    for (const b of all(".pickb")) b.setAttribute("aria-pressed", Number(b.closest("[data-pick]").dataset.pick) === i);
    const layer = one && one.querySelector(`[data-pick="${i}"]`);
    if (layer) { // not for what the others are compared with
      for (const g of one.querySelectorAll("[data-pick]")) g.classList.toggle("shown", g === layer);
      const name = document.getElementById("who-" + slugs[i]).firstElementChild;
      for (const who of all("#difference-who > span, #beside .who > span")) who.replaceChildren(...[...name.childNodes].map(n => n.cloneNode(true)));
      one.setAttribute("aria-labelledby", "difference-who differs-" + slugs[i]);
    }
    for (const read of readers) read.again();
  }
  const pick = i => { choose(i); tell("take", slugs[i]); };

  // The two takes of a figure in the table of likeness: pressed again, it changes over.
  const verb = document.getElementById("play") ? "Hear" : "See"; // there may be no audio
  const cells = all("[data-pair]"), line = document.getElementById("pair");
  const namesOf = td => [td.closest("table").tHead.rows[0].cells[td.cellIndex], td.parentNode.cells[0]].map(th => ({ name: th.textContent.trim(), take: Number((th.dataset.pick || th.parentNode.dataset.pick)) }));
  function offer(two) {
    const td = cells.find(c => c.dataset.pair === two.join(" "));
    if (td) line.replaceChildren(`${verb} these two: `, ...namesOf(td).flatMap(n => [make("button", { type: "button", class: "pickb", "data-pick": n.take }, n.name), " "]));
    else if (line) line.replaceChildren(`Press a figure to ${verb.toLowerCase()} its two takes.`);
  }
  for (const td of cells) {
    const [a, b] = namesOf(td).map(n => n.name);
    td.replaceChildren(make("button", { type: "button", class: "pairb", "aria-label": `${verb} ${a} and ${b}: ${td.textContent} dB` }, ...td.childNodes));
  }
  if (cells.length) offer(none);

  for (const e of all("#differs .lines:not(details *) dt, .legend [data-pick]")) { // for keys
    e.replaceChildren(make("button", { type: "button", class: "pickb" }, ...e.childNodes));
  }
  for (const path of all(".wide:not(.one) [data-pick]>.ln")) path.after(make("path", { class: "hit", d: path.getAttribute("d") }));
  document.addEventListener("click", e => {
    const cell = e.target.closest("[data-pair]"), of = e.target.closest("[data-pick]");
    if (cell) {
      const two = cell.dataset.pair.split(" ").map(Number), again = two.join() === pair.join();
      const next = again && chosen === two[0] ? two[1] : two[0];
      choose(next, again ? pair : two);
      tell("take", slugs[next]);
      tell("play");
    } else if (of && !e.target.closest("a, summary, input, label") && getSelection().isCollapsed) pick(Number(of.dataset.pick));
  });
  document.addEventListener("evenhand:take", e => choose(slugs.indexOf(e.detail)));

  // --- Reading values, from the table of the plot ---

  // "2 kHz" in Hz, "1:02.0" in seconds
  const number = text => text.split(":").reduce((sum, part) => sum * 60 + parseFloat(part), 0) * (text.includes("kHz") ? 1000 : 1);

  function Reader(svg) {
    const figure = svg.closest("figure"), data = document.getElementById(figure.id + "-data");
    const table = data && data.querySelector("table");
    if (!table) return null;
    const [x0, x1, from, to, log] = svg.dataset.x.split(" ").map((v, i) => i < 4 ? Number(v) : v);
    const scale = log ? Math.log : v => v;
    const place = v => x0 + (scale(v) - scale(from)) / (scale(to) - scale(from)) * (x1 - x0);
    const width = svg.viewBox.baseVal.width, top = svg.viewBox.baseVal.y, height = svg.viewBox.baseVal.height;
    const upright = x => `M${x.toFixed(1)} ${top + 24}V${top + height - 30}`;
    const columns = new Map(all("thead th[data-pick]", table).map(th => [Number(th.dataset.pick), th]));
    const rows = [...table.tBodies[0].rows].map(r => ({ cells: r.cells, name: r.cells[0].textContent, x: place(number(r.cells[0].textContent)) }));
    if (!columns.size || !rows.length) return null;

    const input = make("input", { type: "range", class: "reader", "aria-label": "Read the values: " + (figure.querySelector("strong, .who") || svg).textContent.trim() });
    const reading = make("p", { class: "reading", hidden: "" }), cursor = make("path", { class: "cursor" });
    const box = make("div", { class: "plotbox" });
    svg.replaceWith(box);
    box.append(svg, reading, input);
    svg.append(cursor);

    const seeks = !log; // on an axis of time
    const head = seeks && svg.appendChild(make("path", { class: "playhead" }));
    Object.assign(input, { min: seeks ? Math.ceil(from) : 0, max: seeks ? Math.floor(to) : rows.length - 1, step: 1 });
    input.value = seeks ? from : rows.length / 2;

    const series = () => columns.get(chosen) || one === svg && columns.get(Number(one.querySelector(".shown").dataset.pick)) || columns.values().next().value;
    const nearest = x => { // a row of time begins at its place
      let k = 0;
      rows.forEach((r, i) => { if (seeks ? r.x <= x + .01 : Math.abs(r.x - x) < Math.abs(rows[k].x - x)) k = i; });
      return k;
    };
    let at = -1;
    function show(k, x = rows[k].x) {
      at = k;
      const th = series(), value = rows[k].cells[th.cellIndex].textContent;
      const words = `${rows[k].name}: ${th.textContent} ${value === "–" ? "not measured" : `${value} ${svg.dataset.unit}`}`;
      reading.textContent = words;
      input.setAttribute("aria-valuetext", words);
      reading.hidden = false;
      cursor.setAttribute("d", upright(x));
      const room = box.clientWidth - reading.offsetWidth;
      reading.style.left = Math.max(0, Math.min(room, x / width * box.clientWidth - reading.offsetWidth / 2)) + "px";
    }
    function hide() { at = -1; reading.hidden = true; cursor.removeAttribute("d"); }
    const seconds = x => Math.max(0, (x - x0) / (x1 - x0) * (to - from));
    const under = e => { const r = svg.getBoundingClientRect(); return Math.max(x0, Math.min(x1, (e.clientX - r.left) / r.width * width)); };

    const move = e => { const k = nearest(under(e)); show(k, seeks ? under(e) : rows[k].x); if (!seeks) input.value = k; };
    box.addEventListener("pointermove", move);
    box.addEventListener("pointerdown", move);
    box.addEventListener("pointerleave", e => { if (e.pointerType === "mouse") hide(); });
    input.addEventListener("blur", hide);
    const keyed = () => seeks ? show(nearest(place(Number(input.value))), place(Number(input.value))) : show(Number(input.value));
    input.addEventListener("focus", () => { if (input.matches(":focus-visible")) keyed(); });
    input.addEventListener("input", () => { keyed(); if (seeks) tell("seek", Number(input.value) - from); });
    if (seeks) {
      svg.addEventListener("click", e => tell("seek", seconds(under(e))));
      document.addEventListener("evenhand:time", e => {
        head.setAttribute("d", upright(place(from + e.detail)));
        if (document.activeElement !== input) input.value = from + e.detail;
      });
    }
    return { again() { if (at >= 0) show(at, seeks && cursor.hasAttribute("d") ? parseFloat(cursor.getAttribute("d").slice(1)) : undefined); } };
  }
  const readers = all("svg.wide[data-x]").map(Reader).filter(r => r);

  document.documentElement.classList.add("choosing");
  choose(Number(first));
})();
