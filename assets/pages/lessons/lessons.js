// The list of lessons, with the progress that this browser keeps, and the pages to read.
export function render({ model, el }) {
  const { make, button, hostOf, patchOf, save: saveFile } = window.forktailDom;
  const host = hostOf(el, "lessons");
  const store = window.forktailProgress;

  const said = make("p", { class: "said", role: "status" });
  const glossary = (terms) => make("div", { class: "text" }, make("dl", {},
    ...terms.flatMap(({ id, term, html }) => [make("dt", { id, text: term }), make("dd", { html })])));
  const reading = () => {
    const { spec } = model;
    host.replaceChildren(
      make("p", { class: "crumb" }, make("a", { href: "lessons", text: "All lessons" })),
      make("h1", { text: spec.title }), spec.terms ? glossary(spec.terms) : make("div", { class: "text", html: spec.html }));
    const jump = () => {
      const target = location.hash.length > 1 && host.querySelector(`[id="${CSS.escape(location.hash.slice(1))}"]`);
      host.querySelectorAll(".here").forEach((n) => n.classList.remove("here"));
      if (target) { target.classList.add("here"); target.scrollIntoView({ block: "center" }); }
    };
    host.addEventListener("click", (event) => {
      const link = event.target.closest("a[data-term]");
      if (link) { event.preventDefault(); history.replaceState(null, "", `${location.pathname}?read=glossary#${link.dataset.term}`); jump(); }
    });
    requestAnimationFrame(jump);
  };

  const lost = () => {
    const { lost: faults, asked, title, said } = model.spec;
    host.replaceChildren(
      make("p", { class: "crumb" }, make("a", { href: "lessons", text: "All lessons" })),
      make("h1", { text: title }),
      make("p", { text: faults.length ? "This lesson has faults, so it cannot be run:" : said || `There is no lesson \u201c${asked}\u201d.` }),
      make("ul", { class: "faults" }, ...faults.map((text) => make("li", { text }))));
  };

  const card = (row) => {
    if (row.faults) {
      return make("li", { class: "card broken" }, make("span", { class: "number", text: row.number }),
        make("div", {}, make("h2", { text: row.title }),
          make("p", { class: "soft", text: "This lesson has faults and is left out until they are mended:" }),
          make("ul", { class: "faults" }, ...row.faults.slice(0, 6).map((text) => make("li", { text })),
            ...(row.faults.length > 6 ? [make("li", { text: `and ${row.faults.length - 6} more` })] : []))));
    }
    const done = row.steps.filter((s) => store.result(row.id, s)).length;
    const share = done / row.steps.length;
    const state = done === 0 ? "Not begun" : share === 1 ? "Done" : `${done} of ${row.steps.length} steps`;
    return make("li", { class: share === 1 ? "card done" : "card" },
      make("span", { class: "number", text: share === 1 ? "\u2713" : row.number, "aria-hidden": "true" }),
      make("div", {},
        make("h2", {}, make("a", { href: `lesson?id=${row.id}`, text: row.title })),
        store.goals(row.id, row.goals),
        ...(row.after.length ? [make("p", { class: "soft", text: `After: ${row.after.join(", ")}` })] : [])),
      make("div", { class: "side" }, make("span", { text: `${row.minutes} min` }),
        make("progress", { max: row.steps.length, value: done, "aria-label": `${row.title}: ${state}` }),
        make("span", { class: "soft", text: state })));
  };

  // The final check and the review: lessons made of questions of the others.
  const rounds = (good) => {
    const there = new Set(good.flatMap((r) => r.asked.map((s) => `${r.id}.${s}`)));
    const { due, next, waiting } = store.review(there), check = store.lesson("final-check");
    const done = Object.values(check.steps || {}), answered = done.filter((s) => !["read", "tried", "open"].includes(s.result)).length;
    const once = done.filter((s) => s.result === "right" && s.tries <= 1).length;
    const asks = model.spec.check, open = check.seed && answered < asks;
    const start = (text) => make("a", { class: "start", href: `lesson?id=final-check&seed=${store.newSeed()}`, text });
    return make("section", { class: "rounds", "aria-label": "Know what you know" },
      make("div", {}, make("h2", { text: "Final check" }),
        make("p", { class: "soft", text: `${asks} questions from all lessons, with new values each time.` }),
        check.seed && make("p", { text: open ? `${answered} of ${asks} answered.` : `The last time: ${once} of ${asks} right at once.` }),
        make("p", {}, open && make("a", { class: "start", href: `lesson?id=final-check&seed=${encodeURIComponent(check.seed)}`, text: "Go on with the check" }), " ",
          start(open ? "Begin a new one" : check.seed ? "Check again" : "Begin the check"))),
      make("div", {}, make("h2", { text: "Review" }),
        make("p", { class: "soft", text: "What you missed comes back after 1, 3, 7 and 21 days." }),
        make("p", { text: due.length ? `${due.length} question${due.length > 1 ? "s are" : " is"} due.`
          : next ? `Nothing is due today. Next: ${next.toLocaleDateString(undefined, { day: "numeric", month: "long", timeZone: "UTC" })} (${waiting} waiting).`
          : "Nothing to bring back so far." }),
        due.length ? make("p", {}, make("a", { class: "start", href: `lesson?id=review&seed=${store.newSeed()}&ask=${due.slice(0, 12).join(",")}`, text: "Review now" })) : null));
  };

  const list = () => {
    const { spec } = model, good = spec.lessons.filter((r) => !r.faults);
    const open = good.find((r) => r.steps.some((s) => !store.result(r.id, s)));
    const begun = good.some((r) => Object.keys(store.lesson(r.id).steps).length);
    const file = make("input", { type: "file", accept: ".json,application/json", hidden: true, "aria-label": "Progress file" });
    file.addEventListener("change", async () => {
      const [f] = file.files;
      try {
        if (f.size > 2e6) throw new Error(`The file ${f.name} holds ${f.size} bytes; a progress file has at most 2000000.`);
        store.merge(await f.text());
        list();
        said.textContent = "The progress of the file was added to this browser\u2019s.";
      } catch (error) { said.textContent = error.message; }
    });
    const save = () => {
      saveFile("forktail-progress.json", JSON.stringify(store.read(), null, 1), "application/json");
      said.textContent = "Saved as forktail-progress.json.";
    };
    const ask = make("span", { class: "sure", hidden: true }, "Forget all progress in this browser?",
      button("Forget it", () => { store.clear(); list(); said.textContent = "All progress was reset."; }),
      button("Keep it", () => { ask.hidden = true; reset.focus(); }));
    const reset = button("Reset\u2026", () => { ask.hidden = false; ask.querySelector("button").focus(); });
    host.replaceChildren(
      make("header", {}, make("h1", { text: "Lessons" }),
        make("p", { class: "lead", text: "Read, predict, see, explain. Each lesson is next to the live circuit that it is about: you say what you expect, then the circuit shows it." }),
        ...(open ? [make("p", {}, make("a", { class: "go", href: `lesson?id=${open.id}`, text: `${begun ? "Go on" : "Begin"}: ${open.title}` }))] : []),
        make("p", { class: "soft" }, make("a", { href: "lessons?read=glossary", text: "Glossary" }), " \u00b7 ",
          make("a", { href: "lessons?read=assumptions", text: "Assumptions and sources" }), " \u00b7 ",
          make("a", { href: "lessons?read=parts", text: "Parts for all benches" }))),
      ...(spec.lessons.length ? [] : [make("p", { text: "The folder of lessons is empty." })]),
      ...(spec.faults.length ? [make("ul", { class: "faults" }, ...spec.faults.map((text) => make("li", { text })))] : []),
      ...(spec.check ? [rounds(good)] : []),
      make("ol", { class: "cards" }, ...spec.lessons.map(card)),
      make("footer", {}, make("p", { class: "soft", text: "Your progress is kept in this browser only." }),
        make("div", { class: "tools" }, button("Save progress", save), file, button("Load progress", () => file.click()), reset, ask), said,
        make("details", { class: "teachers" }, make("summary", { text: "For teachers and authors" }),
          make("p", { text: "Each lesson on one page, with every hint and answer:" }),
          make("ul", {}, ...good.map((r) => make("li", {}, make("a", { href: `preview?id=${r.id}`, text: r.title })))),
          make("p", {}, "A lesson of yours begins with ", make("code", { text: "forktail lessons new my-lesson --lessons my-lessons" }),
            " and is served beside these with ", make("code", { text: "forktail serve --lessons my-lessons" }), "."))));
  };

  const build = () => { (model.spec.html || model.spec.terms ? reading : model.spec.lost ? lost : list)(); };
  build();
  model.on("spec", build);
  model.on("wire", () => { if (patchOf(model).reload) location.reload(); });
  const back = (event) => { if (event.persisted && model.spec.lessons) list(); };
  window.addEventListener("pageshow", back);
  return () => window.removeEventListener("pageshow", back);
}
