// The text side of a lesson: one step at a time, its question or task, what the core said, and
// progress. The right answer reaches the browser only after the learner has answered.
export function render({ model, el }) {
  const { make, button, hostOf, patchOf } = window.forktailDom;
  const host = hostOf(el, "lesson-text", "article");
  const store = window.forktailProgress;
  const MARK = { right: "\u2713", met: "\u2713", shown: "\u2013", read: "\u00b7" };

  const send = (kind, more = {}) => model.send_msg({ kind, ...more });
  const refusal = make("p", { class: "refusal", role: "alert", hidden: true });
  const refuse = (text) => {
    refusal.hidden = !text; refusal.textContent = text;
    host.querySelector(".answer")?.toggleAttribute("aria-invalid", !!text);
  };

  const steps = (spec) => {
    const done = store.lesson(spec.lesson).steps;
    return make("ol", { class: "steps", "aria-label": "Steps of this lesson" }, ...spec.steps.map(([id, title], n) => {
      const result = done[id]?.result;
      const b = button(n === spec.at ? String(n + 1) : MARK[result] || String(n + 1), () => send("go", { at: n }), {
        "aria-label": `Step ${n + 1}, ${title}${MARK[result] && result !== "read" ? ", done" : ""}`,
        "aria-current": n === spec.at ? "step" : null, "data-result": result || null, title });
      return make("li", {}, b);
    }));
  };

  const again = (spec) => button("Try again", () => { store.forget(spec.lesson, spec.steps[spec.at][0]); send("again"); });

  const question = (spec) => {
    const { ask, phase } = spec, open = phase === "ask";
    const form = make("form", { class: "ask", novalidate: true });
    const box = make("fieldset", { disabled: !open }, make("legend", { html: ask.question }));
    if (ask.choices.length) {
      ask.choices.forEach((html, n) => {
        const input = make("input", { type: "radio", name: "choice", value: n, checked: ask.picked === n });
        const look = ask.picked !== n ? "choice" : spec.verdict?.right ? "choice right" : "choice wrong";
        box.append(make("label", { class: look }, input, make("span", { html })));
      });
    } else {
      box.append(make("label", { class: "number" }, make("span", { text: "Your answer" }),
        make("input", { type: "text", class: "answer", autocomplete: "off", spellcheck: "false", size: 12, value: ask.typed,
          placeholder: ask.unit ? `value in ${ask.unit}` : "a number" })));
    }
    const tools = make("div", { class: "tools" },
      open && make("button", { type: "submit", class: "main", text: "Check my prediction" }),
      ask.showable && button("Show me", () => send("show")),
      phase === "done" && again(spec));
    form.append(box, refusal, tools);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      refuse("");
      if (!ask.choices.length) return send("answer", { text: form.querySelector(".answer").value });
      const picked = form.querySelector("input:checked");
      if (picked) send("answer", { choice: +picked.value });
      else refuse("Pick one of the choices first.");
    });
    return form;
  };

  const goal = (spec) => {
    const { task, phase } = spec;
    const state = make("p", { class: "goal-state", role: "status" });
    const box = make("section", { class: "task", "aria-label": "Task" },
      make("p", { class: "goal", html: task.goal }), state, refusal,
      task.hint && make("p", { class: "hint", "data-focus": "hint", tabindex: -1, html: task.hint }),
      phase === "task" && make("div", { class: "tools" }, !task.hint && button("Give me a hint", () => send("hint")),
        task.showable && button("Show me", () => send("show"))),
      phase === "met" && make("div", { class: "tools" }, again(spec)));
    box.setHolds = (holds) => {
      box.toggleAttribute("data-holds", holds);
      state.textContent = holds ? "\u2713 The condition is met" : phase === "met" ? "Met before, not now" : "\u25cb Not yet: move the controls of the scene";
    };
    box.setHolds(task.holds);
    return box;
  };

  // How well each goal is known, for the last step
  const known = ({ lesson, goals }) => make("section", { class: "know", "aria-label": "What you know" }, make("h3", { text: "What you know" }),
    store.goals(lesson, goals), lesson === "final-check" && make("p", {},
      `${goals.filter(([, s]) => store.goal(lesson, s).state === "once").length} of ${goals.length} right at once. `,
      make("a", { href: `lesson?id=final-check&seed=${store.newSeed()}`, text: "Check again with other questions" })));

  const verdict = ({ right, shown, text, hint }) => make("div", { class: right ? "verdict right" : "verdict wrong", role: "status", tabindex: -1, "data-focus": "verdict" },
    make("p", { class: "word", text: `${shown ? "\u2192" : right ? "\u2713" : "\u2717"} ${text}` }), hint && make("p", { class: "hint", html: hint }));

  // What would give the answer is covered: nothing of it is drawn yet, and nobody gets into it by keyboard.
  const cover = (view, covered) => {
    const [inner] = view.children;
    view.toggleAttribute("data-covered", covered);
    inner.inert = covered;
    view.querySelector(":scope > .cover")?.remove();
    if (covered) view.append(make("p", { class: "cover", text: `${inner.getAttribute("aria-label") || "This part"}: covered until you have made your prediction.` }));
  };

  const showScene = (spec) => {
    document.querySelectorAll(".scene").forEach((scene) => {
      scene.hidden = scene.dataset.kind !== spec.kind || !spec.views.length;
      const shown = [];
      scene.querySelectorAll("[data-view]").forEach((view) => {
        view.hidden = !spec.views.includes(view.dataset.view);
        view.style.setProperty("--place", spec.views.indexOf(view.dataset.view));
        cover(view, spec.covered.includes(view.dataset.view));
        if (!view.hidden && view.classList.contains("view-plot")) shown.push(view);
      });
      scene.dataset.plots = shown.length;
    });
    const locked = spec.phase === "ask" || spec.phase === "moving";
    document.querySelector(".locked").hidden = !locked || !spec.unlocks;
    document.querySelector(".handles").hidden = locked || !spec.unlocks;
    window.dispatchEvent(new Event("resize"));
  };

  let taskBox = null, last = "";
  const build = () => {
    const { spec } = model;
    if (!spec.heading) return; // the server waits to hear who is there
    const here = `${spec.lesson}/${spec.at}`, moved = here !== last, lastStep = spec.at === spec.steps.length - 1;
    const focused = host.getRootNode().activeElement?.dataset.keep;
    last = here;
    host.dataset.tries = spec.tries; host.dataset.phase = spec.phase;
    host.toggleAttribute("data-moved", spec.moved);
    refuse("");
    showScene(spec);
    taskBox = spec.task ? goal(spec) : null;
    const waiting = spec.phase === "ask" || spec.phase === "task";
    host.replaceChildren(
      make("header", {},
        make("p", { class: "crumb" }, make("a", { href: "lessons", text: "All lessons" })),
        make("h1", { text: spec.title }), steps(spec)),
      make("h2", { tabindex: -1, "data-focus": "title" }, spec.role && make("span", { class: "role", text: spec.role }), make("span", { text: spec.heading })),
      make("div", { class: "text", html: spec.text }),
      ...(lastStep ? [known(spec)] : []),
      ...[spec.ask && question(spec), spec.ask && make("p", { class: "ask-together", text: "The class answers this together. Your answer goes on the card." }), taskBox, spec.verdict && verdict(spec.verdict)].filter(Boolean),
      ...(spec.explain ? [make("section", { class: "text explain", "aria-label": "Explanation", html: spec.explain })] : []),
      ...(spec.derivation ? [make("details", { class: "derivation" }, make("summary", { text: "The maths, for those who want it" }), make("div", { class: "text", html: spec.derivation }))] : []),
      make("footer", {},
        make("div", { class: "tools" },
          button("Back", () => send("go", { at: spec.at - 1 }), { disabled: spec.at === 0 }),
          lastStep ? null : button(waiting ? "Skip for now" : "Next", () => send("go", { at: spec.at + 1 }), { class: waiting ? "" : "main", "data-keep": "next" }),
          lastStep && spec.next && make("a", { class: "go", href: spec.next.id ? `lesson?id=${spec.next.id}` : "lessons", text: spec.next.id ? `Next lesson: ${spec.next.title}` : "Back to all lessons" })),
        button("Print worksheet", () => send("handout"), { class: "quiet", title: "A worksheet with blanks, and the key on separate pages" })));
    patchLive(spec.live);
    if (moved) {
      store.place(spec.lesson, spec.steps[spec.at][0]);
      history.replaceState(null, "", `${location.pathname}?${spec.link}&step=${spec.steps[spec.at][0]}`);
    }
    const target = spec.focus && host.querySelector(`[data-focus="${spec.focus === "explain" ? "verdict" : spec.focus}"]`);
    if (target) target.focus({ preventScroll: true });
    else if (focused) host.querySelector(`[data-keep="${focused}"]`)?.focus();
    scrollTo(spec, moved);
  };

  // A new step begins at its top; a verdict or an explanation is brought into view.
  const scrollTo = (spec, moved) => {
    const reader = document.querySelector(".reader"), narrow = getComputedStyle(reader).overflowY === "visible";
    if (moved && spec.focus) {
      if (narrow) window.scrollTo({ top: 0 }); else reader.scrollTop = 0;
      return;
    }
    const part = { verdict: ".verdict", hint: ".hint", explain: ".verdict" }[spec.focus];
    const node = part && host.querySelector(part);
    if (node) node.scrollIntoView({ block: narrow ? "center" : "nearest", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
    if (spec.focus === "explain") host.querySelector(".explain")?.scrollIntoView({ block: "nearest", behavior: "smooth" });
  };

  const patchLive = (live) => {
    for (const [id, text] of Object.entries(live || {})) {
      for (const node of host.querySelectorAll(`[data-id="${id}"]`)) node.textContent = text;
    }
  };

  // A glossary link opens the term below its paragraph; the link still works in a new tab.
  const openTerm = (link) => {
    const term = model.spec.terms?.[link.dataset.term];
    if (!term) return false;
    host.querySelectorAll(".term").forEach((n) => n.remove());
    const close = () => { note.remove(); link.focus(); };
    const note = make("aside", { class: "term", role: "note", tabindex: -1 },
      make("p", { class: "word", text: term.term }), make("div", { html: term.html }), button("Close", close));
    note.addEventListener("keydown", (event) => { if (event.key === "Escape") close(); });
    let place = link;
    while (place.parentNode !== host && !place.parentNode.classList.contains("text") && !["FORM", "SECTION"].includes(place.parentNode.tagName)) place = place.parentNode;
    place.after(note);
    note.focus({ preventScroll: true });
    return true;
  };
  host.addEventListener("click", (event) => {
    const link = event.target.closest?.("a[data-term]");
    if (link && !event.ctrlKey && !event.metaKey && openTerm(link)) event.preventDefault();
  });

  const print = (html) => {
    document.getElementById("forktail-print")?.remove();
    const frame = make("iframe", { id: "forktail-print", title: "Worksheet", "aria-hidden": "true", tabindex: -1 });
    frame.style.cssText = "position:fixed;right:0;bottom:0;width:0;height:0;border:0;visibility:hidden";
    frame.addEventListener("load", () => { frame.contentWindow.focus(); frame.contentWindow.print(); });
    frame.srcdoc = html;
    document.body.append(frame);
  };

  const patch = () => {
    const p = patchOf(model);
    patchLive(p.live);
    if ("holds" in p) taskBox?.setHolds(p.holds);
    if (p.moved) host.toggleAttribute("data-moved", true);
    if (p.refused) refuse(p.refused);
    if (p.record) {
      store.note(model.spec.lesson, p.record);
      host.querySelector(".steps")?.replaceWith(steps(model.spec));
    }
    if (p.print) print(p.print);
    if (p.reload) location.reload();
  };

  model.on("spec", build);
  model.on("wire", patch);
  const wanted = new URLSearchParams(location.search), id = model.spec.lesson, round = new URLSearchParams(model.spec.link).get("seed");
  if (round !== null) store.begin(id, round);
  send("hello", { record: store.lesson(id), seed: store.seed(), step: wanted.get("step"),
    still: matchMedia("(prefers-reduced-motion: reduce)").matches });
}
