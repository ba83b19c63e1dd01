// What every page does in the browser: theme, exports of plots, word of a lost connection.
(() => {
  const { make, save, deep, browser, tab } = window.forktailDom;
  const root = document.documentElement;
  const assets = new URL("../", document.currentScript.src);
  root.toggleAttribute("data-been", browser.text("forktail-been") !== null);
  // whoever has moved a control is told where to begin no more
  addEventListener("input", () => { browser.write("forktail-been", "1"); }, { once: true });
  root.dataset.theme = browser.text("forktail-theme") || (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light");

  // Panel loads the code of views through this name
  window.importShim = Object.assign((url) => import(new URL(url, document.baseURI)), { addImportMap() {} });

  const request = (detail) => window.dispatchEvent(new CustomEvent("forktail-request", { detail }));

  const plotView = (name) => findPlot((view) => view.model.name === name);
  const findPlot = (wanted) => {
    for (const top of Bokeh.index.roots) {
      const stack = [top];
      while (stack.length) {
        const view = stack.pop();
        if (view.model.type === "Figure" && wanted(view)) return view;
        stack.push(...(view.child_views || []));
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
    const svg = deep(`svg.${name}`);
    const text = standalone(svg);
    const blob = new Blob([text], { type: "image/svg+xml" });
    if (kind === "svg") return save(`forktail-${name}.svg`, blob);
    const image = new Image(), url = URL.createObjectURL(blob), box = svg.viewBox.baseVal;
    image.onload = () => {
      const canvas = make("canvas", { width: 2 * box.width, height: 2 * box.height });
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
    const canvas = make("canvas", { width: picture.width, height: picture.height });
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

  // Press or drag on a plot that asks for it. Not Bokeh's gestures: to those, a pointer that rests
  // for a moment before it moves is a press and never becomes a drag.
  let dragged = null;
  const reportDrag = (event) => {
    const { view } = dragged, box = view.canvas.el.getBoundingClientRect();
    const within = (v, low, high) => Math.min(Math.max(v, low), high);
    const { left, right, top, bottom } = view.frame.bbox;
    const x = view.frame.x_scale.invert(within(event.clientX - box.left, left, right));
    const y = view.frame.y_scale.invert(within(event.clientY - box.top, top, bottom));
    window.dispatchEvent(new CustomEvent("forktail-drag", { detail: { view: view.model.name, x, y } }));
  };
  window.addEventListener("pointerdown", (event) => {
    const host = event.button === 0 && event.composedPath().find((n) => n.classList?.contains("bk-Figure"));
    const view = host && findPlot((v) => v.el === host);
    if (!view?.model.tags.includes("drag")) return;
    const box = view.canvas.el.getBoundingClientRect();
    if (!view.frame.bbox.contains(event.clientX - box.left, event.clientY - box.top)) return;
    dragged = { view, pointer: event.pointerId };
    reportDrag(event);
  }, true);
  window.addEventListener("pointermove", (event) => {
    if (dragged?.pointer === event.pointerId) reportDrag(event);
  }, true);
  for (const kind of ["pointerup", "pointercancel"]) {
    window.addEventListener(kind, (event) => { if (dragged?.pointer === event.pointerId) dragged = null; }, true);
  }

  // A lost connection is said. Once the server answers, the page loads again: its link holds the scene,
  // and this tab's storage what was set or typed since. The controls ask `isLost` before they send.
  const KEPT = "forktail-kept";
  const here = () => location.pathname + location.search;
  const held = new Map();
  let lost = false, typedAt = 0, lookTimer = 0, wait = 500;
  const banner = () => document.getElementById("forktail-lost");
  const tell = (text) => { banner().querySelector("span").textContent = text; banner().hidden = false; };

  const FIELDS = "input[type=text], input:not([type]), textarea, input[type=radio]";
  const fields = (scope = document) => [...scope.querySelectorAll("*")].flatMap((node) => [
    ...(node.matches(FIELDS) ? [node] : []), ...(node.shadowRoot ? fields(node.shadowRoot) : [])]);
  const active = () => {
    let node = document.activeElement;
    while (node?.shadowRoot?.activeElement) node = node.shadowRoot.activeElement;
    return node;
  };
  const keyed = (list) => list.map((node) => {
    const key = node.id || node.dataset.entry || `${node.name}/${node.type === "radio" ? node.value : node.className}`;
    return [key, node];
  });
  // a radio button of the controls is no field; one in a question is what the learner has picked
  const isOpen = (node) => !node.disabled && (node.type === "radio" ? node.checked : node.value !== (node.dataset.shown ?? node.defaultValue));
  const keep = () => {
    if (!lost) return;
    const typed = keyed(fields()).filter(([, node]) => isOpen(node)).map(([key, node]) => [key, node.value]);
    const focus = keyed(fields()).find(([, node]) => node === active())?.[0] || null;
    const made = { at: here(), held: [...held.values()], typed, focus, inner: window.forktailScene?.inner || "" };
    tab.write(KEPT, made);
  };
  const restore = () => {
    const made = tab.read(KEPT);
    tab.write(KEPT, null);
    if (!made || made.at !== here()) return;
    if (made.inner) window.dispatchEvent(new CustomEvent("forktail-follow", { detail: { query: location.search.slice(1), inner: made.inner } }));
    // what was typed but not entered stands again as it stood, once its field is there; what was set is set
    const missing = new Map(made.typed);
    let tries = 0;
    const fill = () => {
      for (const [key, node] of keyed(fields())) {
        if (!missing.has(key)) continue;
        if (node.type === "radio") node.checked = true; else node.value = missing.get(key);
        missing.delete(key);
        if (key === made.focus) node.focus();
      }
      if (missing.size && ++tries < 20) setTimeout(fill, 200);
    };
    setTimeout(() => {
      fill();
      made.held.forEach((message) => window.dispatchEvent(new CustomEvent("forktail-again", { detail: message })));
    }, made.inner ? 600 : 0);
  };
  const look = async (asked = false) => {
    clearTimeout(lookTimer);
    let there = false;
    try { there = (await fetch(new URL(`icon.svg?${Date.now()}`, assets), { cache: "no-store" })).ok; } catch { /* not yet */ }
    // no key press is to fall into the gap of loading
    if (there && (asked || performance.now() - typedAt > 2500)) { keep(); location.reload(); return; }
    if (!there && asked) tell("The server does not answer yet. This page goes on looking; what you set or type is kept.");
    wait = Math.min(wait * 1.5, 4000);
    lookTimer = setTimeout(look, there ? 500 : wait * (0.7 + 0.6 * Math.random()));
  };
  const loseConnection = () => {
    if (lost) return;
    lost = true;
    banner().hidden = false;
    window.dispatchEvent(new Event("forktail-lost"));
    lookTimer = setTimeout(look, 300);
  };
  window.forktailLink = {
    get isLost() { return lost; },
    // only the newest place of a handle counts, and the order of the rest
    hold(message) {
      const one = ["slide", "drag", "entry", "edit", "choose", "flag"].includes(message.kind);
      const key = one ? `${message.kind} ${message.name || message.view}` : `${held.size} ${performance.now()}`;
      held.delete(key); held.set(key, message);
    },
  };
  window.addEventListener("keydown", () => { typedAt = performance.now(); }, true);
  window.addEventListener("pagehide", keep);
  // a page brought back from the browser's memory has no connection any more
  window.addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });

  // The class room is loaded by those who are in it, and by the pages where it is entered.
  const loadRoom = () => {
    const entry = document.querySelector("[data-room]");
    if (!entry && !tab.text("forktail-room")) return;
    document.head.append(make("link", { rel: "stylesheet", href: new URL("pages/class/room.css", assets) }));
    for (const name of entry ? ["room", "class"] : ["room"]) {
      // one after the other
      document.head.append(Object.assign(make("script", { src: new URL(`pages/class/${name}.js`, assets) }), { async: false }));
    }
  };

  const settle = () => {
    loadRoom();
    // on a phone the navigation is wider than the screen: show where we are
    const nav = document.querySelector(".top nav"), here = nav?.querySelector("[aria-current]");
    if (here) nav.scrollLeft = here.offsetLeft - nav.offsetLeft - (nav.clientWidth - here.offsetWidth) / 2;
  };

  document.addEventListener("DOMContentLoaded", () => {
    setTimeout(settle);  // what a page can do without for a moment comes after its connection
    document.getElementById("forktail-again").addEventListener("click", () => look(true));
    // Bokeh says on its connection when the server is gone; until it is there, wait for it
    const begun = performance.now();
    let warned = false, heard = false;
    const watch = setInterval(() => {
      const made = window.Bokeh?.documents?.[0];
      if (!made && window.Bokeh && !warned && performance.now() - begun > 20000) {
        warned = true;
        tell("This page has no live connection to the server yet. If it stays so, something on the way does not let websockets pass.");
      }
      if (made && !heard) {
        heard = true;
        if (warned) banner().hidden = true;
        made.on_event("connection_lost", loseConnection);
      }
      if (!made?.is_idle) return;
      clearInterval(watch);
      restore();
    }, 200);
    const button = document.getElementById("forktail-theme");
    const name = () => { button.textContent = root.dataset.theme === "dark" ? "Light" : "Dark"; };
    name();
    button.addEventListener("click", () => {
      root.dataset.theme = root.dataset.theme === "dark" ? "light" : "dark";
      browser.write("forktail-theme", root.dataset.theme);
      name();
      request({ kind: "theme", value: root.dataset.theme });
    });
  }, { once: true });
})();
