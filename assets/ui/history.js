// Undo and redo of every page. The browser keeps the scenes that the page has shown, as their links
// say them, and gives one back by the message `scene`; the server keeps nothing. Loaded once a page is there.
(() => {
  const MOST = 100, PAUSE = 1000;
  let past = [], future = [], present = window.forktailScene || null;
  // what is being done: one drag, one run of arrow keys or one Play is one step
  let gesture = "", last = 0, down = false, pressed = false;

  // what is only looked at (a panel, a cursor) is no step, and stays as it is
  const split = (scene) => {
    if (scene.inner !== undefined) return [scene.inner, []];
    const passing = new Set(scene.passing || []), pairs = [...new URLSearchParams(scene.query)];
    const text = (wanted) => pairs.filter(([name]) => passing.has(name) === wanted)
      .map(([k, v]) => `${encodeURIComponent(k)}=${encodeURIComponent(v)}`);
    return [text(false).join("&"), text(true)];
  };
  const same = (a, b) => split(a)[0] === split(b)[0];
  // a stack without what is there already on top
  const trim = (stack) => { while (stack.length && same(stack.at(-1), present)) stack.pop(); return stack.length; };

  const buttons = ["undo", "redo"].map((name) => document.getElementById(`forktail-${name}`));
  const paint = () => {
    const [undo, redo] = buttons;
    undo.setAttribute("aria-disabled", String(!past.some((scene) => !same(scene, present))));
    redo.setAttribute("aria-disabled", String(!future.length));
  };
  const forget = () => { past = []; future = []; gesture = ""; };

  const go = (from, to) => {
    if (!trim(from)) return;
    const scene = from.pop();
    to.push(present);
    gesture = "";
    const message = { kind: "scene", query: "" };
    if (scene.inner !== undefined) message.inner = scene.inner;
    else message.query = [split(scene)[0], ...split(present)[1]].filter(Boolean).join("&");
    present = scene;
    window.dispatchEvent(new CustomEvent("forktail-request", { detail: message }));
    paint();
  };
  const undo = () => go(past, future), redo = () => go(future, past);

  window.addEventListener("pointerdown", () => { down = pressed = true; }, true);
  for (const kind of ["pointerup", "pointercancel"]) window.addEventListener(kind, () => { down = false; }, true);
  window.addEventListener("forktail-acted", ({ detail }) => {
    if (!detail || detail.kind === "scene") return;
    const now = performance.now(), key = `${detail.kind} ${detail.name} ${detail.view}`;
    const begins = key !== gesture || pressed || (!down && now - last > PAUSE);
    gesture = key; last = now; pressed = false;
    if (begins && present && !(past.length && same(past.at(-1), present))) past = [...past, present].slice(-MOST);
  });
  window.addEventListener("forktail-scene", ({ detail }) => {
    const before = present;
    present = window.forktailScene;
    if (detail?.fresh) forget(); // another step of a lesson: nothing of the former one comes back
    else if (gesture && before && !same(before, present)) future = [];
    paint();
  });
  // what a presenter shows is not the learner's to take back
  window.addEventListener("forktail-follow", forget);

  window.forktailDom.bind(["Ctrl+Z"], "Undo: the scene before");
  window.forktailDom.bind(["Ctrl+Shift+Z", "Ctrl+Y"], "Redo");
  buttons[0].addEventListener("click", undo);
  buttons[1].addEventListener("click", redo);
  window.addEventListener("keydown", (event) => {
    const key = event.key.toLowerCase();
    if (!(event.ctrlKey || event.metaKey) || event.altKey || !["z", "y"].includes(key)) return;
    // a text that is being typed has an undo of its own
    const field = event.composedPath()[0];
    if (field.matches?.("input[type=text], input:not([type]), textarea") && field.value !== (field.dataset.shown ?? field.defaultValue)) return;
    event.preventDefault();
    if (key === "y" || event.shiftKey) redo(); else undo();
  });
  paint();
})();
