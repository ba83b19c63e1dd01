// Progress of a learner, kept in this browser only. No account; nothing leaves the machine unless
// the learner saves it to a file. A step is kept by its id, so a changed lesson does not lose it.
window.forktailProgress = (() => {
  const KEY = "forktail-progress", { browser, make } = window.forktailDom;
  // Days after which a question that was missed comes back; right at once each time, and it is done.
  const DAYS = [1, 3, 7, 21];
  const STATES = { once: ["\u2713", "right at once"], hint: ["\u2713", "after a hint"], shown: ["\u2013", "shown"],
    tried: ["\u2717", "not right yet"], none: ["\u25cb", "not tried"] };
  let held = null; // what is known when storage is barred
  const fresh = () => ({ format: KEY, version: 1, seed: String(Math.floor(Math.random() * 1e9)), lessons: {} });
  const table = (it) => it && typeof it === "object" && !Array.isArray(it);
  const sound = (all) => all && all.format === KEY && all.version === 1 && table(all.lessons);

  const read = () => {
    let all = browser.read(KEY) || held;
    if (!sound(all)) { all = fresh(); write(all); }
    return all;
  };
  const write = (all) => {
    held = all;
    return browser.write(KEY, all);
  };
  const lesson = (id) => read().lessons[id] || { steps: {} };
  // How a step was done: "" while it is not, or was only tried
  const result = (id, step) => { const { result = "" } = lesson(id).steps[step] || {}; return result === "tried" || result === "open" ? "" : result; };
  const change = (id, by) => {
    const all = read();
    const entry = all.lessons[id] || (all.lessons[id] = { steps: {} });
    entry.steps ||= {};
    by(entry, all);
    write(all);
  };

  // ---- what is known

  const known = ({ result, tries = 0 } = {}) => ({ right: tries > 1 ? "hint" : "once", met: tries ? "hint" : "once",
    shown: "shown", tried: "tried" })[result] || "none";
  // A goal is known as well as the worst answered of its questions.
  const goal = (id, steps) => {
    const { steps: done } = lesson(id), all = steps.map((s) => known(done[s]));
    const answered = all.filter((k) => k !== "none");
    const worst = ["shown", "tried", "hint", "once"].find((k) => answered.includes(k)) || "none";
    return { state: worst, left: answered.length ? all.length - answered.length : 0 };
  };
  const goals = (id, all) => make("ul", { class: "goals" }, ...all.map(([text, steps]) => {
    const { state, left } = goal(id, steps), [mark, words] = STATES[state], [from, at] = (steps[0] || "").split(".");
    return make("li", { "data-known": state }, make("span", { class: "mark", "aria-hidden": "true", text: mark }),
      make("span", {}, at ? make("a", { href: `lesson?id=${from}&step=${at}`, text }) : text,
        make("span", { class: "known", text: ` \u00b7 ${words}${left ? `, ${left} not tried` : ""}` })));
  }));

  // ---- what comes back

  const today = () => Math.floor((Date.now() - new Date().getTimezoneOffset() * 6e4) / 864e5);
  const keep = (all, key, entry) => {
    const items = table(all.review) ? all.review : all.review = {}, item = items[key], state = known(entry);
    if (state === "none") return;
    if (state !== "once") items[key] = { turn: 0, due: today() + DAYS[0] };
    else if (item && item.due <= today()) {
      const turn = item.turn + 1;
      if (turn < DAYS.length) items[key] = { turn, due: today() + DAYS[turn] };
      else delete items[key];
    }
  };
  // Questions to come back among those that there are (`lesson.step`): the most overdue first.
  const review = (there) => {
    const items = Object.entries(read().review || {}).filter(([key, it]) => there.has(key) && Number.isFinite(it?.due))
      .sort(([, a], [, b]) => a.due - b.due);
    const due = items.filter(([, it]) => it.due <= today()).map(([key]) => key), next = items.find(([, it]) => it.due > today());
    return { due, next: next && new Date(next[1].due * 864e5), waiting: items.length - due.length };
  };

  return {
    read, lesson, result, goals, goal, review,
    seed: () => read().seed,
    newSeed: () => String(Math.floor(Math.random() * 1e9)),
    place: (id, step) => change(id, (entry) => { entry.at = step; }),
    // A round of questions with a new seed begins with nothing done.
    begin: (id, seed) => lesson(id).seed !== seed && change(id, (entry) => { Object.assign(entry, { seed, steps: {}, at: null, day: today() }); }),
    note: (id, { step, ...what }) => change(id, (entry, all) => {
      entry.steps[step] = what;
      keep(all, step.includes(".") ? step : `${id}.${step}`, what);
    }),
    forget: (id, step) => change(id, (entry) => { delete entry.steps[step]; }),
    clear: () => write(fresh()),
    // What was done in either place is kept: a file adds to this browser's progress.
    merge(text) {
      let other = null;
      try { other = JSON.parse(text); } catch { /* said below */ }
      if (!sound(other)) throw new Error("This file holds no Forktail progress.");
      const all = read(), rank = { met: 4, right: 4, shown: 3, read: 2, tried: 1 };
      for (const [id, theirs] of Object.entries(other.lessons)) {
        if (!theirs || !table(theirs.steps)) continue;
        const mine = all.lessons[id] ||= { steps: {}, ...(theirs.seed ? { seed: theirs.seed, day: theirs.day } : {}) };
        if (mine.seed !== theirs.seed) continue; // another round, with other values
        mine.at ||= theirs.at;
        for (const [step, entry] of Object.entries(theirs.steps)) {
          if (entry && (rank[entry.result] || 0) >= (rank[mine.steps[step]?.result] || 0)) mine.steps[step] = entry;
        }
      }
      // what either place has to bring back comes back, at the earlier of the two days
      const items = table(all.review) ? all.review : all.review = {};
      for (const [key, it] of Object.entries(table(other.review) ? other.review : {})) {
        if (Number.isInteger(it?.due) && DAYS[it.turn] && !(items[key]?.due <= it.due)) items[key] = { turn: it.turn, due: it.due };
      }
      write(all);
    },
  };
})();
