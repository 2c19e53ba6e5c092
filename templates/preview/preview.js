// The preview of a report: reloads the page when there is a new one, and shows
// mistakes above the last good one.
(() => {
	const script = document.currentScript;
	const built = Number(script.dataset.built);
	const address = script.src.replace(/[^/]*$/, "") + "state";

	const bar = document.createElement("section");
	bar.className = "preview";
	bar.setAttribute("role", "alert");
	bar.hidden = true;
	document.body.prepend(bar);

	const show = (title, text, busy) => {
		bar.hidden = !title;
		bar.classList.toggle("busy", busy);
		bar.textContent = title;
		if (text) {
			bar.append(Object.assign(document.createElement("pre"), { textContent: text }));
		}
	};
	const showState = (s) => {
		if (s.mistakes) {
			show(built ? "This is the last report without a mistake. What is wrong now:" : "There is no report yet. What is wrong:", s.mistakes, false);
		} else {
			show(s.building ? "Building …" : "", "", true);
		}
	};

	const wait = (ms) => new Promise((done) => setTimeout(done, ms));
	const follow = async () => {
		let seen = "";
		for (;;) {
			try {
				const answer = await fetch(address + "?seen=" + seen, { cache: "no-store" });
				const state = await answer.json();
				if (state.built !== built) {
					location.reload();
					return;
				}
				seen = state.seq;
				showState(state);
			} catch {
				show("The preview has ended. To go on, start evenhand serve again at this address.", "", false);
				seen = "";
				await wait(1000);
			}
		}
	};
	showState({ mistakes: script.dataset.mistakes, building: false });
	follow();
})();
