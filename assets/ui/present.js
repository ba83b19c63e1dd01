// The picture for a room: it fills the screen, the controls wait in a drawer. A class uses the same mode. Loaded when asked for.
(() => {
  const { make, button, load, bind } = window.forktailDom;
  const root = document.documentElement;
  const bench = () => document.querySelector("main .bench");
  let on = false;

  // Bokeh measures type on a canvas outside the page, where rem has another size: here it is given pixels.
  const sizes = new Map(); // model -> {property: its size in rem}
  const measure = () => {
    const px = parseFloat(getComputedStyle(root).fontSize);
    for (const model of window.Bokeh?.documents?.[0]?.all_models ?? []) {
      for (const [name, held] of Object.entries(model.attributes)) {
        if (!name.endsWith("text_font_size")) continue;
        const every = held?.value !== undefined, value = every ? held.value : held; // of a glyph, for all its texts
        if (/^[\d.]+rem$/.test(value)) sizes.set(model, { ...sizes.get(model), [name]: value });
        const rem = sizes.get(model)?.[name], size = on ? `${(parseFloat(rem) * px).toFixed(1)}px` : rem;
        if (rem) model.setv({ [name]: every ? { value: size } : size }, { sync: false });
      }
    }
  };
  addEventListener("resize", () => { if (on) measure(); });

  const drawer = (open) => {
    root.toggleAttribute("data-drawer", open);
    handle.setAttribute("aria-expanded", String(open));
    if (open) { bench().tabIndex = -1; bench().focus({ preventScroll: true }); }
  };
  const handle = button("Controls", () => drawer(!root.hasAttribute("data-drawer")), { "aria-expanded": "false" });
  const bar = make("div", { class: "present-bar", role: "region", "aria-label": "Presentation" }, bench() && handle, button("Leave", () => set(false), { title: "Escape" }));

  const set = async (wanted) => {
    if (wanted === on) return;
    on = wanted;
    await load("ui/present.css");
    root.toggleAttribute("data-large", on);
    drawer(false);
    if (on) document.body.append(bar); else bar.remove();
    // a page that is shown by itself after it has loaded may not take the screen, and need not
    if (on) root.requestFullscreen?.().catch(() => {}); else if (document.fullscreenElement) document.exitFullscreen();
    if (!on) document.getElementById("forktail-present")?.focus();
    if (!on) measure();
    window.dispatchEvent(new Event("resize"));
    window.dispatchEvent(new CustomEvent("forktail-presented", { detail: on }));
  };
  document.addEventListener("fullscreenchange", () => { if (!document.fullscreenElement) set(false); });
  bind(["Esc"], "Leave the presentation", () => on);
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || !on || event.defaultPrevented || event.composedPath()[0].matches?.("input[type=text], dialog, dialog *")) return;
    if (root.hasAttribute("data-drawer")) { drawer(false); handle.focus(); } else set(false);
  });
  window.forktailPresent = { set, get on() { return on; } };
})();
