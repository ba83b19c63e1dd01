// The first minute: three moves on the picture, each seen from what was really done. Loaded on the very first visit, and from the help.
(() => {
  const { make, button, deep, tab } = window.forktailDom;
  const KEY = "forktail-minute", CLEAR = 0.005; // V; nearer to zero is no side yet
  const PAIR = "stage=pair&v_upper=0V", CELL = "v_upper=0V&v_lower=0V";
  const MINUS = "\u2212", QUADRANTS = [["+", "+"], [MINUS, "+"], [MINUS, MINUS], ["+", MINUS]];

  const volts = (text) => {
    const [, number, prefix] = /^(-?[\d.eE+-]+?)([um]?)V?$/.exec(text ?? "20mV") || [null, "0", ""];
    return number * ({ u: 1e-6, m: 1e-3 }[prefix] ?? 1);
  };
  const scene = () => {
    const query = new URLSearchParams(window.forktailScene?.query ?? location.search);
    return { stage: query.get("stage") || "cell", upper: volts(query.get("v_upper")), lower: volts(query.get("v_lower")) };
  };
  const side = (value) => (value > CLEAR ? "+" : value < -CLEAR ? MINUS : "");
  const show = (query) => window.dispatchEvent(new CustomEvent("forktail-request", { detail: { kind: "scene", query } }));

  let step = "tip", first = "", seen = new Set(), again = 0;
  const said = make("p", { class: "minute-said" }), ask = make("p", { class: "minute-ask" });
  const signs = make("ul", { class: "minute-signs", hidden: true, "aria-label": "Signs of upper and lower input seen so far" });
  const words = make("div", { role: "status" }, said, ask);
  const acts = make("div", { class: "tools" }), count = make("span", {});
  const skip = button("Skip", () => end(), { title: "Escape" });
  const card = make("section", { class: "minute", "aria-label": "First minute" },
    make("header", {}, count, skip), words, signs, acts);
  const ring = make("span", { class: "minute-ring", hidden: true, "aria-hidden": "true" });

  // what is to be moved asks for it, until it is
  const asks = (wanted) => {
    const slider = deep("#q-v_upper");
    slider?.toggleAttribute("data-asks", wanted === "slider");
    ring.hidden = wanted !== "point";
    if (!ring.hidden) placeRing();
  };
  const placeRing = () => {
    const at = window.forktailPoint?.("map"), host = document.querySelector("#plot-map .canvas");
    if (!at || ring.hidden) return;
    if (ring.parentNode !== host) host.append(ring);
    const box = host.getBoundingClientRect();
    ring.style.translate = `${at.x - box.left}px ${at.y - box.top}px`;
    clearTimeout(again); again = setTimeout(placeRing, 250); // a plot is laid out after its place has changed
  };
  const narrow = () => matchMedia("(max-width: 700px)").matches;
  const place = (where, target) => {
    const host = document.querySelector(narrow() ? "main" : where);
    if (card.parentNode !== host) host.prepend(card);
    if (narrow()) target?.scrollIntoView({ block: "center" });
  };

  const TEXTS = {
    tip: () => ["1 of 3", "", "Two transistors share one current, just now evenly. Which load gets more when the left base rises? Move Upper input, and see.", "slider"],
    flip: () => ["2 of 3", first === "+" ? "The left base is higher: Q1 takes more, and the left load gets the wide ribbon." : "The right base is higher: Q2 takes more, and the right load gets the wide ribbon.",
      "Now flip the sign: move the same input past zero, to the other side.", "slider"],
    more: () => ["2 of 3", "The same current, the other load: the output has changed its sign.",
      "One input can do that. Next comes a second one: a pair below decides which of two crossed pairs gets the current.", ""],
    four: () => ["3 of 3", seen.size ? `Seen: ${seen.size} of 4.` : "The full cell, both inputs at zero. Right and left on the map is the upper input, up and down the lower one.",
      "Move the point through all four quarters of the map, by hand or with the arrow keys. Watch the sign of the output.", seen.size < 2 ? "point" : ""],
    done: () => ["3 of 3", `Like signs give +, unlike signs give ${MINUS}: the sign of a product. You have steered a current by two inputs, and so multiplied them.`, "", ""],
  };
  let painted = "";
  const paint = () => {
    const { stage } = scene(), [number, told, wanted, mark] = TEXTS[step]();
    const home = step === "four" || step === "done" ? "cell" : "pair", astray = stage !== home;
    const now = `${step} ${told} ${mark} ${astray} ${narrow()}`;
    if (now === painted) return;
    const moved = painted.split(" ")[0] !== step;
    painted = now;
    count.textContent = `First minute, ${number}`;
    said.textContent = told; said.hidden = !told;
    ask.textContent = wanted; ask.hidden = !wanted;
    signs.hidden = step !== "four";
    signs.replaceChildren(...QUADRANTS.map(([a, b]) => make("li", { class: seen.has(a + b) ? "seen" : "" },
      make("b", { text: `${a} \u00b7 ${b}` }), seen.has(a + b) ? ` = ${a === b ? "+" : MINUS}` : " = ?")));
    acts.replaceChildren(...[
      astray && step !== "more" && button(home === "pair" ? "Back to one pair" : "Back to the full cell", () => show(home === "pair" ? PAIR : CELL)),
      step === "more" && button("Show the full cell", () => { step = "four"; show(CELL); paint(); window.forktailPoint("map")?.element.focus({ preventScroll: true }); }, { class: "go" }),
      step === "done" && make("a", { class: "go", href: "lesson?id=one-pair", text: "Lesson 1: one pair" }),
      step === "done" && button("Look around", () => end()),
    ].filter(Boolean));
    skip.hidden = step === "done";
    if (step === "done") tab.write(KEY, null);
    asks(astray ? "" : mark);
    place(home === "cell" ? ".right" : ".bench", moved ? (home === "cell" ? document.getElementById("plot-map") : deep("#q-v_upper")) : null);
    if (home === "cell" && moved) window.dispatchEvent(new Event("resize"));
    acts.querySelector(".go")?.focus({ preventScroll: true });
  };

  const watch = () => {
    const { stage, upper, lower } = scene();
    if (step === "tip" && stage === "pair" && side(upper)) { first = side(upper); step = "flip"; }
    else if (step === "flip" && stage === "pair" && side(upper) && side(upper) !== first) step = "more";
    else if (step === "four" && stage === "cell" && side(upper) && side(lower)) {
      seen.add(side(upper) + side(lower));
      if (seen.size === 4) step = "done";
    }
    paint(); placeRing();
  };
  const heard = new AbortController(), on = (name, act) => window.addEventListener(name, act, { signal: heard.signal });
  const end = () => {
    heard.abort(); asks(""); card.remove(); ring.remove();
    tab.write(KEY, null);
    window.dispatchEvent(new Event("resize"));
    deep("#q-v_upper")?.focus({ preventScroll: true });
  };
  on("forktail-scene", watch);
  on("resize", () => { paint(); placeRing(); });
  on("keydown", (event) => {
    const field = event.composedPath()[0];
    if (event.key === "Escape" && !event.defaultPrevented && !field.matches?.("input[type=text], dialog *") && !document.querySelector("details.exports[open]")) end();
  });
  window.forktailDom.bind(["Esc"], "Skip the first minute", () => card.isConnected);
  const begin = () => { if (deep("#q-v_upper")) watch(); else setTimeout(begin, 50); };
  begin();
})();
