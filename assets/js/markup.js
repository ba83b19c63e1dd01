// Shows markup made on the server and applies small patches to it by id, so that an event sends
// a few numbers and never a picture. Entries named "#" set text; null removes an attribute.
export function render({ model, el }) {
  const host = document.createElement("div");
  host.className = "markup";
  el.append(host);
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
        else if (value === null) node.removeAttribute(name);
        else node.setAttribute(name, value);
      }
    }
  };
  const rebuild = () => { host.innerHTML = model.markup; apply(model.patch); };
  rebuild();
  model.on("markup", rebuild);
  model.on("patch", () => apply(model.patch));
}
