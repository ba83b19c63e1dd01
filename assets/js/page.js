// What every page does in the browser: theme, exports of plots, word of a lost connection.
(() => {
  const root = document.documentElement;
  const assets = new URL("../", document.currentScript.src);
  let stored = null;
  try { stored = localStorage.getItem("forktail-theme"); } catch { /* storage may be barred */ }
  root.dataset.theme = stored || (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light");

  const request = (detail) => window.dispatchEvent(new CustomEvent("forktail-request", { detail }));

  const save = (name, blob) => {
    const a = document.createElement("a");
    a.href = URL.createObjectURL(blob); a.download = name;
    document.body.append(a); a.click(); a.remove();
    setTimeout(() => URL.revokeObjectURL(a.href), 10000);
  };

  const plotView = (name) => {
    for (const top of Bokeh.index.roots) {
      const stack = [top];
      while (stack.length) {
        const view = stack.pop();
        if (view.model.name === name && view.model.type === "Figure") return view;
        stack.push(...(view.child_views || []));
      }
    }
    return null;
  };

  const deepQuery = (selector, scope = document) => {
    const found = scope.querySelector(selector);
    if (found) return found;
    for (const node of scope.querySelectorAll("*")) {
      if (node.shadowRoot) {
        const inner = deepQuery(selector, node.shadowRoot);
        if (inner) return inner;
      }
    }
    return null;
  };

  // A drawing leaves the page with its computed colours written into it.
  const standalone = (svg) => {
    const copy = svg.cloneNode(true);
    const [from, to] = [[svg, ...svg.querySelectorAll("*")], [copy, ...copy.querySelectorAll("*")]];
    const keep = ["fill", "stroke", "stroke-width", "stroke-linecap", "stroke-linejoin", "stroke-dasharray", "opacity",
      "fill-opacity", "stroke-opacity", "font-size", "font-weight", "font-family", "font-style", "text-anchor", "display"];
    from.forEach((node, k) => {
      const style = getComputedStyle(node);
      to[k].setAttribute("style", keep.map((p) => `${p}:${style.getPropertyValue(p)}`).join(";"));
    });
    const box = svg.viewBox.baseVal;
    copy.setAttribute("width", box.width); copy.setAttribute("height", box.height);
    const back = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    back.setAttribute("x", box.x); back.setAttribute("y", box.y);
    back.setAttribute("width", box.width); back.setAttribute("height", box.height);
    back.setAttribute("fill", getComputedStyle(root).getPropertyValue("--panel"));
    copy.prepend(back);
    return new XMLSerializer().serializeToString(copy);
  };

  const exportDrawing = (name, kind) => {
    const svg = deepQuery(`svg.${name}`);
    const text = standalone(svg);
    const blob = new Blob([text], { type: "image/svg+xml" });
    if (kind === "svg") return save(`forktail-${name}.svg`, blob);
    const image = new Image(), url = URL.createObjectURL(blob), box = svg.viewBox.baseVal;
    image.onload = () => {
      const canvas = document.createElement("canvas");
      canvas.width = 2 * box.width; canvas.height = 2 * box.height;
      canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
      canvas.toBlob((png) => save(`forktail-${name}.png`, png));
      URL.revokeObjectURL(url);
    };
    image.src = url;
  };

  // Plots are drawn without a ground of their own; what is saved gets that of the page.
  const onPaper = async (blob, kind) => {
    const colour = getComputedStyle(root).getPropertyValue("--panel").trim();
    if (kind === "svg") {
      const text = await blob.text();
      const ground = `<rect width="100%" height="100%" fill="${colour}"/>`;
      return new Blob([text.replace(/(<svg[^>]*>)/, `$1${ground}`)], { type: "image/svg+xml" });
    }
    const picture = await createImageBitmap(blob);
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [picture.width, picture.height];
    const pen = canvas.getContext("2d");
    pen.fillStyle = colour;
    pen.fillRect(0, 0, canvas.width, canvas.height);
    pen.drawImage(picture, 0, 0);
    return new Promise((done) => canvas.toBlob(done));
  };

  // The SVG writer of the plots reads no rem: it is given pixels.
  let taught = false;
  const teachRem = () => {
    if (taught) return;
    taught = true;
    const writer = Bokeh.require("core/util/svg").SVGRenderingContext2D.prototype;
    const read = writer.__parseFont;
    writer.__parseFont = function () {
      const font = this.font, pixels = parseFloat(getComputedStyle(root).fontSize);
      this.font = font.replace(/([\d.]+)rem/, (_, size) => `${(size * pixels).toFixed(2)}px`);
      try { return read.call(this); } finally { this.font = font; }
    };
  };

  const onExport = async (button) => {
    const { export: kind, plot } = button.dataset;
    if (kind === "csv") return request({ kind: "csv", plot });
    const view = plotView(plot);
    if (!view) return exportDrawing(plot, kind);
    if (kind === "svg") teachRem();
    const blob = await view.export(kind).to_blob();
    save(`forktail-${plot}.${kind}`, await onPaper(blob, kind));
  };

  document.addEventListener("click", (event) => {
    // a click inside a component's shadow root is seen here with its own first target
    const target = event.composedPath()[0];
    const button = target.closest?.("button[data-export]");
    if (button) onExport(button);
    const asks = target.closest?.("[data-request]");
    if (asks) request(JSON.parse(asks.dataset.request));
  });

  // The class room is loaded by those who are in it, and by the pages where it is entered.
  const loadRoom = () => {
    const entry = document.querySelector("[data-room]");
    let inRoom = false;
    try { inRoom = !!sessionStorage.getItem("forktail-room"); } catch { /* as above */ }
    if (!entry && !inRoom) return;
    const style = document.createElement("link");
    Object.assign(style, { rel: "stylesheet", href: new URL("css/room.css", assets).href });
    document.head.append(style);
    for (const name of entry ? ["room", "class"] : ["room"]) {
      const script = document.createElement("script");
      Object.assign(script, { src: new URL(`js/${name}.js`, assets).href, async: false });
      document.head.append(script);
    }
  };

  document.addEventListener("DOMContentLoaded", () => {
    loadRoom();
    document.getElementById("forktail-again").addEventListener("click", () => location.reload());
    // Bokeh says on its connection when the server is gone; until it is there, wait for it
    const watch = setInterval(() => {
      const documents = window.Bokeh?.documents;
      if (!documents?.length) return;
      clearInterval(watch);
      documents[0].on_event?.("connection_lost", () => { document.getElementById("forktail-lost").hidden = false; });
    }, 200);
    // on a phone the navigation is wider than the screen: show where we are
    const nav = document.querySelector(".top nav"), here = nav?.querySelector("[aria-current]");
    if (here) nav.scrollLeft = here.offsetLeft - nav.offsetLeft - (nav.clientWidth - here.offsetWidth) / 2;
    const button = document.getElementById("forktail-theme");
    const name = () => { button.textContent = root.dataset.theme === "dark" ? "Light" : "Dark"; };
    name();
    button.addEventListener("click", () => {
      root.dataset.theme = root.dataset.theme === "dark" ? "light" : "dark";
      try { localStorage.setItem("forktail-theme", root.dataset.theme); } catch { /* as above */ }
      name();
      request({ kind: "theme", value: root.dataset.theme });
    });
  }, { once: true });  // the module shim that components are loaded by fires this event again
})();
