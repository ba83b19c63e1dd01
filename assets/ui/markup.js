// Shows markup made on the server and applies small patches to it by id, so that an event sends
// a few numbers and never a picture. Entries named "#" set text; null removes an attribute.
export function render({ model, el }) {
  const { hostOf, patchOf } = window.forktailDom;
  const host = hostOf(el, "markup");
  const live = new Map();

  const setText = (node, text) => {
    if (!node.hasAttribute("data-polite")) {
      if (node.textContent !== text) node.textContent = text;
      return;
    }
    // screen readers hear the scene once it rests, not every step of a drag
    clearTimeout(live.get(node));
    live.set(node, setTimeout(() => { node.textContent = text; }, 700));
  };
  const apply = (patch) => {
    for (const [id, attributes] of Object.entries(patch)) {
      // the page's own <main> can follow the scene too, for layout by attribute
      const node = id === "main" ? document.getElementById("main") : host.querySelector(`[data-id="${id}"]`);
      if (!node) continue;
      for (const [name, value] of Object.entries(attributes)) {
        if (name === "#") setText(node, value);
        else if (name === "value") {
          // a slider that was just moved is ahead of what the server knows
          if (node.type !== "range" || !(performance.now() - node.dataset.moved < 700)) node.value = value;
          node.dataset.shown = value;
        }
        else if (value === null) {
          node.removeAttribute(name);
          // a sentence about what was just typed must not appear out of sight
          if (name === "hidden" && node.getAttribute("role") === "alert" && host.getRootNode().activeElement)
            node.scrollIntoView({ block: "nearest" });
        }
        else node.setAttribute(name, value);
      }
    }
  };
  const rebuild = () => {
    // what the user had opened stays open in the new markup
    const opened = new Set([...host.querySelectorAll("details[open] > summary")].map((n) => n.textContent));
    const former = host.querySelector("svg[data-morph]");
    host.innerHTML = model.markup; apply(patchOf(model));
    const drawing = former && host.querySelector("svg[data-morph]");
    if (drawing && !matchMedia("(prefers-reduced-motion: reduce)").matches) {
      drawing.classList.add("morphing");
      import("./morph.js").then(({ morph }) => morph(former, drawing));
    }
    for (const summary of host.querySelectorAll("details > summary")) {
      if (opened.has(summary.textContent)) summary.parentElement.open = true;
    }
    // what is folded away need not be kept up: the view hears when it is opened
    for (const fold of host.querySelectorAll("details[data-lazy]")) {
      fold.addEventListener("toggle", () => { model.send_msg({ kind: "open", open: fold.open }); });
    }
  };

  // Fields marked data-entry report what was typed, sliders marked data-slide where they stand;
  // both go through the controls of the page, which keep one message under way at a time.
  const tell = (kind, detail) => window.dispatchEvent(new CustomEvent(`forktail-${kind}`, { detail }));
  host.addEventListener("change", ({ target }) => {
    if (target.dataset.entry) tell("request", { kind: "edit", name: target.dataset.entry, text: target.value });
  });
  host.addEventListener("input", ({ target }) => {
    if (!target.dataset.slide) return;
    target.dataset.moved = performance.now();
    tell("drag", { view: target.dataset.slide, x: +target.value, y: 0 });
  });
  host.addEventListener("keydown", ({ key, target }) => {
    if (key === "Escape" && target.dataset.entry && "shown" in target.dataset) target.value = target.dataset.shown;
  });
  rebuild();
  model.on("markup", rebuild);
  model.on("wire", () => apply(patchOf(model)));
}
