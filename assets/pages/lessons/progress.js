// Progress of a learner, kept in this browser only. No account; nothing leaves the machine unless
// the learner saves it to a file. A step is kept by its id, so a changed lesson does not lose it.
window.forktailProgress = (() => {
  const KEY = "forktail-progress", { browser } = window.forktailDom;
  let held = null; // what is known when storage is barred
  const fresh = () => ({ format: KEY, version: 1, seed: String(Math.floor(Math.random() * 1e9)), lessons: {} });
  const sound = (all) => all && all.format === KEY && all.version === 1 && all.lessons && typeof all.lessons === "object";

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
  const result = (id, step) => { const { result = "" } = lesson(id).steps[step] || {}; return result === "tried" ? "" : result; };
  const change = (id, by) => {
    const all = read();
    const entry = all.lessons[id] || (all.lessons[id] = { steps: {} });
    entry.steps ||= {};
    by(entry);
    write(all);
  };
  return {
    read, lesson, result,
    seed: () => read().seed,
    place: (id, step) => change(id, (entry) => { entry.at = step; }),
    note: (id, { step, ...what }) => change(id, (entry) => { entry.steps[step] = what; }),
    forget: (id, step) => change(id, (entry) => { delete entry.steps[step]; }),
    clear: () => write(fresh()),
    // What was done in either place is kept: a file adds to this browser's progress.
    merge(text) {
      let other = null;
      try { other = JSON.parse(text); } catch { /* said below */ }
      if (!sound(other)) throw new Error("This file holds no Forktail progress.");
      const all = read(), rank = { met: 4, right: 4, shown: 3, read: 2, tried: 1 };
      for (const [id, theirs] of Object.entries(other.lessons)) {
        if (!theirs || typeof theirs.steps !== "object") continue;
        const mine = all.lessons[id] ||= { steps: {} };
        mine.at ||= theirs.at;
        for (const [step, entry] of Object.entries(theirs.steps)) {
          if (entry && (rank[entry.result] || 0) >= (rank[mine.steps[step]?.result] || 0)) mine.steps[step] = entry;
        }
      }
      write(all);
    },
  };
})();
