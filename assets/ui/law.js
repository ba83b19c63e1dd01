// A factor of the law lights the part of the drawing that it is, and the other way round: both carry the same `data-part`.
(() => {
  const { deep } = window.forktailDom;
  let lit = "", held = "";
  const light = (part) => {
    if (part === lit) return;
    lit = part;
    const svg = deep("svg.schematic"), law = deep(".law");
    if (!svg || !law) return;
    svg.classList.toggle("lighting", !!part);
    for (const node of [...svg.querySelectorAll("[data-part]"), ...law.querySelectorAll("[data-part]")]) {
      node.classList.toggle("lit", node.dataset.part === part);
      if (node.matches("button")) node.setAttribute("aria-pressed", String(node.dataset.part === held));
    }
  };
  const partOf = (event) => event.composedPath().find((node) => node.dataset?.part)?.dataset.part || "";
  const known = (part) => (deep(".law")?.querySelector(`[data-part="${part}"]`) ? part : "");
  document.addEventListener("pointerover", (event) => { light(known(partOf(event)) || held); });
  document.addEventListener("focusin", (event) => { const part = partOf(event); if (part) light(part); });
  document.addEventListener("focusout", () => { light(held); });
  // pressed, it stays lit: for a finger, and for whoever explains it
  document.addEventListener("click", (event) => {
    const button = event.composedPath()[0].closest?.(".law button");
    if (!button) return;
    held = held === button.dataset.part ? "" : button.dataset.part;
    lit = " "; light(held || button.dataset.part);
  });
})();
