// What a reader who listens has at hand: the keys, and a bar at the foot of the page
// that stays in sight. Classic script, loaded with the first touch or key.
(function () {
  "use strict";
  const Evenhand = globalThis.Evenhand, data = Evenhand.comparison, player = Evenhand.player, { el, text } = player;
  const $ = id => document.getElementById(id), listen = $("listen"), seek = $("seek"), takes = data.takes;

  // --- Keys ---

  // They work while the focus is in the player or the bar and not in a field that takes
  // letters; on the whole page only for who asks for it (WCAG 2.2, 2.1.4), and there
  // without Space. Arrows are left to controls. A blind test has keys of its own.
  const anywhere = $("anywhere");
  player.key = function (e) {
    if (e.ctrlKey || e.altKey || e.metaKey || Evenhand.blind && Evenhand.blind.running) return;
    if (!anywhere.checked && !listen.contains(e.target) && !bar.contains(e.target)) return;
    if (e.target.matches("input:not([type=range]):not([type=radio]):not([type=checkbox]), select, textarea")) return;
    const pos = () => player.deck.position(), part = () => player.part < 0 ? player.partAt(pos()) : player.part;
    const step = e.target === seek && { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[e.key] * (e.shiftKey ? 5 : 1); // seconds
    const digit = "1234567890".indexOf(e.key);
    const action = step ? () => { player.point(pos() + step * data.rate); seek.value = pos(); } : digit >= 0 ? () => player.choose(digit) : {
      p: player.toggle, " ": e.target === listen || e.target === seek ? player.toggle : null,
      r: () => player.setLoop(!player.deck.loop), a: () => player.setLevels(player.levels === "recorded" ? "whole" : "recorded"),
      "[": () => player.jump(Math.max(-1, part() - 1)),
      "]": () => player.jump(Math.min(data.sections.length - 1, part() + 1)),
    }[e.key.toLowerCase()];
    if (!action) return;
    e.preventDefault();
    action();
  };

  // --- Levels ---

  // How loud takes play: "whole", "sections" or "recorded".
  const loud = {
    whole: `Equally loud: all at ${data.target.toFixed(1).replace("-", "−")} LUFS`,
    sections: "Equally loud in each section",
    recorded: "As recorded: the louder take will seem better",
  };
  player.setLevels = function (how) {
    if (how === "sections" && player.blends.some(b => b !== null)) {
      player.say("Blends are equally loud only over the whole. Put them back to “as published” first.");
      return player.show();
    }
    player.levels = how;
    if (player.deck.real) {
      player.deck.mix(player.mixture(), Evenhand.sound.slow);
      player.deck.retrim();
    }
    player.say(loud[how]);
    player.show();
    player.remember();
  };
  for (const r of document.querySelectorAll("input[name=levels]")) {
    r.addEventListener("change", () => player.setLevels(r.value));
    if (r.checked && r.value !== player.levels) player.setLevels(r.value); // while this was loaded
  }

  // --- The bar ---

  const beside = by => () => player.choose((player.wanted + by + takes.length) % takes.length);
  const arrow = (words, sign, by) => el("button", { type: "button", "aria-label": words, onclick: beside(by) }, sign);
  const play = el("button", { type: "button", class: "main", onclick: player.toggle }, "Play");
  const mark = el("span", { class: "mark-of" }), name = el("strong"), time = el("span", { class: "at" });
  const bar = el("div", { id: "foot", role: "region", "aria-label": "Player at the foot of the page", hidden: true },
    play, takes.length > 1 ? arrow("Previous take", "‹", -1) : null, el("span", { class: "now" }, mark, name), takes.length > 1 ? arrow("Next take", "›", 1) : null, time);
  document.body.append(bar);
  let shown = "";
  document.addEventListener("evenhand:time", () => {
    const deck = player.deck;
    if (bar.hidden && (deck.playing || deck.stalled)) {
      bar.hidden = false;
      document.documentElement.classList.add("played"); // makes room for it
    }
    text(play, deck.playing || deck.stalled ? "Pause" : "Play");
    text(time, player.clock(deck.position()).slice(0, -2)); // whole seconds
    const now = (player.instead || takes[player.wanted]).name;
    if (shown === now) return;
    text(name, shown = now);
    const swatch = document.querySelectorAll(".pick svg")[player.wanted];
    mark.replaceChildren(...swatch ? [swatch.cloneNode(true)] : []);
  });
})();
