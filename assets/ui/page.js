// What every page does in the browser: theme, exports of plots, word of a lost connection.
(() => {
  const { make, save, load, bind, deep, browser, tab } = window.forktailDom;
  const root = document.documentElement;
  const assets = new URL("../", document.currentScript.src);
  // The very first visit begins with one pair and is shown round (pages/steer/minute.js); a link with a scene, or a class, is not.
  const base = new URL("../", assets), MINUTE = "forktail-minute";
  const begin = () => { if (tab.write(MINUTE, "yes")) location.replace(new URL("?stage=pair&v_upper=0V", base)); };
  if (location.href === base.href && browser.text("forktail-been") === null && !tab.text("forktail-room") && browser.write("forktail-been", "1")) begin();
  // nor is whoever has moved a control anywhere
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
      "fill-opacity", "stroke-opacity", "font-size", "font-weight", "font-family", "font-style", "text-anchor", "display", "paint-order"];
    from.forEach((node, k) => {
      const style = getComputedStyle(node);
      to[k].setAttribute("style", keep.map((p) => `${p}:${style.getPropertyValue(p)}`).join(";"));
    });
    const box = svg.viewBox.baseVal;
    copy.setAttribute("width", box.width); copy.setAttribute("height", box.height);
    const back = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    back.setAttribute("x", box.x); back.setAttribute("y", box.y);
    back.setAttribute("width", box.width); back.setAttribute("height", box.height);
    back.setAttribute("fill", panel());
    copy.prepend(back);
    return new XMLSerializer().serializeToString(copy);
  };

  const svgBlob = (text) => new Blob([text], { type: "image/svg+xml" });
  const drawingAsPng = (name) => {
    const svg = deep(`svg.${name}`), image = new Image(), url = URL.createObjectURL(svgBlob(standalone(svg))), box = svg.viewBox.baseVal;
    image.onload = () => {
      const canvas = make("canvas", { width: 2 * box.width, height: 2 * box.height });
      canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
      canvas.toBlob((png) => save(`forktail-${name}.png`, png));
      URL.revokeObjectURL(url);
    };
    image.src = url;
  };

  // Plots are drawn without a ground of their own; what is saved gets that of the page.
  const panel = () => getComputedStyle(root).getPropertyValue("--panel").trim();
  const onPaper = async (blob) => {
    const picture = await createImageBitmap(blob);
    const canvas = make("canvas", { width: picture.width, height: picture.height });
    const pen = canvas.getContext("2d");
    pen.fillStyle = panel();
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

  // a drawing or a plot as SVG text, whatever it is made of
  window.forktailDrawn = async (name) => {
    const view = plotView(name);
    if (!view) return standalone(deep(`svg.${name}`));
    teachRem();
    const text = await (await view.export("svg").to_blob()).text();
    return text.replace(/(<svg[^>]*>)/, `$1<rect width="100%" height="100%" fill="${panel()}"/>`);
  };
  const help = async () => { await load("ui/help.js"); window.forktailHelp(); };
  bind(["?"], "This help");
  document.addEventListener("keydown", (event) => {
    if (event.key !== "?" || event.ctrlKey || event.metaKey || event.composedPath()[0].matches?.("input:not([type=range], [type=checkbox], [type=radio]), textarea, select")) return;
    event.preventDefault();
    help();
  });

  const onExport = async (button) => {
    const { export: kind, plot } = button.dataset;
    if (kind === "csv") return request({ kind: "csv", plot });
    if (kind === "svg") return save(`forktail-${plot}.svg`, svgBlob(await window.forktailDrawn(plot)));
    const view = plotView(plot);
    if (!view) return drawingAsPng(plot);
    save(`forktail-${plot}.png`, await onPaper(await view.export("png").to_blob()));
  };

  // What a plot can be saved as is behind one button; it closes when something was chosen, or the focus goes.
  const openMenu = () => document.querySelector("details.exports[open]");
  const closeMenu = (back) => {
    const menu = openMenu();
    if (!menu) return;
    menu.open = false;
    if (back) menu.querySelector("summary").focus();
  };
  bind(["Esc"], "Close a menu, a drawer or this help; in a field, take back what was typed");
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") closeMenu(true); });
  document.addEventListener("focusin", ({ target }) => { if (!openMenu()?.contains(target)) closeMenu(); });
  document.addEventListener("pointerdown", (event) => { if (!event.composedPath().includes(openMenu())) closeMenu(); });

  document.addEventListener("click", (event) => {
    // a click inside a component's shadow root is seen here with its own first target
    const target = event.composedPath()[0];
    const button = target.closest?.("button[data-export]");
    if (button) { closeMenu(true); onExport(button); }
    // a part of a board that is pressed opens its value
    const opens = target.closest?.("[data-opens]"), field = opens && deep(`[data-entry="${opens.dataset.opens}"]`);
    if (field) { field.scrollIntoView({ block: "center" }); field.focus(); field.select?.(); }
    const asks = target.closest?.("[data-request]");
    if (asks) request(JSON.parse(asks.dataset.request));
  });

  // The point (or the cursor) of a plot is dragged, or moved by arrow keys once the plot has the focus. Not Bokeh's
  // gestures: to those, a pointer that rests for a moment before it moves is a press and never becomes a drag.
  // A finger scrolls the page: it moves the point only from the point itself or by a clear move sideways, and a tap
  // puts the point where it is.
  const NEAR = 28, CLEAR = 9; // px
  let dragged = null, waiting = null, walked = null;
  const draggable = (event) => {
    const host = event.composedPath().find((n) => n.classList?.contains("bk-Figure"));
    const view = host && findPlot((v) => v.el === host);
    return view?.model.tags.includes("drag") ? view : null;
  };
  const handleAt = (view) => {
    const held = view.model.renderers.find((r) => r.name === "handle");
    if (!held?.visible) return null;
    const { data } = held.data_source, read = (spec) => (spec ? data[spec.field]?.[0] : undefined);
    const x = read(held.glyph.x), y = read(held.glyph.y);
    return x === undefined ? null : { x, y };
  };
  const onCanvas = (view, event) => {
    const box = view.canvas.el.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };
  const onPixels = (view, { x, y }) => [view.frame.x_scale.compute(x), y === undefined ? null : view.frame.y_scale.compute(y)];
  // where the point of a plot is in the window, and what has its keys
  window.forktailPoint = (name) => {
    const view = plotView(name), at = view && handleAt(view), box = view?.canvas.el.getBoundingClientRect();
    if (!at) return null;
    const [x, y] = onPixels(view, at);
    return { x: box.left + x, y: box.top + y, element: view.el };
  };
  const isNear = (view, event) => {
    const at = handleAt(view);
    if (!at) return false;
    const [x, y] = onCanvas(view, event), [hx, hy] = onPixels(view, at);
    return Math.hypot(x - hx, hy === null ? 0 : y - hy) < NEAR;
  };
  const report = (view, x, y) => window.dispatchEvent(new CustomEvent("forktail-drag", { detail: { view: view.model.name, x, y } }));
  const reportDrag = ({ view, off: [ox, oy] }, event) => {
    const within = (v, low, high) => Math.min(Math.max(v, low), high);
    const { left, right, top, bottom } = view.frame.bbox, [x, y] = onCanvas(view, event);
    report(view, view.frame.x_scale.invert(within(x + ox, left, right)), view.frame.y_scale.invert(within(y + oy, top, bottom)));
  };
  // a finger takes the point along from where it is, and does not cover it
  const grip = (view, event) => {
    const at = handleAt(view);
    if (!at) return [0, 0];
    const [x, y] = onCanvas(view, event), [hx, hy] = onPixels(view, at);
    return [hx - x, hy === null ? 0 : hy - y];
  };
  window.addEventListener("pointerdown", (event) => {
    const view = event.button === 0 && draggable(event);
    if (!view || !view.frame.bbox.contains(...onCanvas(view, event))) return;
    const held = { view, pointer: event.pointerId };
    if (event.pointerType !== "touch") {
      dragged = { ...held, off: [0, 0] };
      reportDrag(dragged, event);
    } else if (isNear(view, event)) dragged = { ...held, off: grip(view, event) };
    else waiting = { ...held, from: event, off: grip(view, event) };
  }, true);
  window.addEventListener("pointermove", (event) => {
    if (waiting?.pointer === event.pointerId) {
      const across = Math.abs(event.clientX - waiting.from.clientX), down = Math.abs(event.clientY - waiting.from.clientY);
      if (across > CLEAR && across > 2 * down) { dragged = waiting; waiting = null; }
      else if (down > CLEAR) waiting = null;
    }
    if (dragged?.pointer === event.pointerId) reportDrag(dragged, event);
  }, true);
  window.addEventListener("pointerup", (event) => {
    if (waiting?.pointer === event.pointerId) reportDrag({ view: waiting.view, off: [0, 0] }, event);
  }, true);
  for (const kind of ["pointerup", "pointercancel"]) {
    window.addEventListener(kind, (event) => {
      if (dragged?.pointer === event.pointerId) dragged = null;
      if (waiting?.pointer === event.pointerId) waiting = null;
    }, true);
  }

  // Sliders likewise: what a finger does to one counts once it has moved sideways, or was lifted where it was put down.
  let thumb = null;
  window.addEventListener("pointerdown", (event) => {
    const slider = event.composedPath()[0];
    thumb = event.pointerType === "touch" && slider.type === "range"
      ? { slider, pointer: event.pointerId, x: event.clientX, y: event.clientY, was: slider.value, meant: null } : null;
  }, true);
  window.addEventListener("pointermove", (event) => {
    if (thumb?.pointer !== event.pointerId) return;
    const across = Math.abs(event.clientX - thumb.x);
    if (across > CLEAR && across > 2 * Math.abs(event.clientY - thumb.y)) thumb = null;
  }, true);
  for (const kind of ["input", "change"]) {
    window.addEventListener(kind, (event) => {
      if (!thumb || event.composedPath()[0] !== thumb.slider) return;
      event.stopImmediatePropagation();
      if (kind === "input") thumb.meant = thumb.slider.value;
      thumb.slider.value = thumb.was;
    }, true);
  }
  window.addEventListener("pointercancel", () => { thumb = null; }, true);
  window.addEventListener("pointerup", (event) => {
    if (thumb?.pointer !== event.pointerId) return;
    const { slider, meant } = thumb;
    thumb = null;
    if (meant === null) return;
    slider.value = meant;
    slider.dispatchEvent(new Event("input", { bubbles: true, composed: true }));
  }, true);

  bind(["\u2190", "\u2192", "\u2191", "\u2193"], "On a plot that has the focus: move its point. With Shift, ten times as far",
    () => !!findPlot((view) => view.model.tags.includes("drag")));
  const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowDown: [0, -1], ArrowUp: [0, 1] };
  window.addEventListener("keydown", (event) => {
    const step = STEPS[event.key], view = step && !event.ctrlKey && !event.altKey && !event.metaKey && draggable(event);
    const at = view && handleAt(view);
    if (!at) return;
    event.preventDefault();
    const { x_range, y_range } = view.model, part = event.shiftKey ? 0.1 : 0.01;
    // held keys go on from what they asked for, not from what the server has answered so far
    const from = walked?.view === view && performance.now() - walked.at < 500 ? walked : at;
    const within = (v, { start, end }) => Math.min(Math.max(v, Math.min(start, end)), Math.max(start, end));
    const x = within(from.x + step[0] * part * (x_range.end - x_range.start), x_range);
    const y = at.y === undefined ? 0 : within(from.y + step[1] * part * (y_range.end - y_range.start), y_range);
    walked = { view, x, y, at: performance.now() };
    report(view, x, y);
  }, true);

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

  // New columns of plots come in one message (`ColumnsEvent` in ui/plots.py): numbers behind one another,
  // and by source what is where. Each source takes all of its columns at once.
  const takeColumns = (made) => ([text, numbers]) => {
    for (const [id, columns] of JSON.parse(text)) {
      const source = made.get_model_by_id(id);
      if (!source) continue;
      const data = source.data instanceof Map ? Object.fromEntries(source.data) : { ...source.data };
      for (const [name, column] of Object.entries(columns)) {
        data[name] = Array.isArray(column) ? column : new Float32Array(numbers, column.at, column.n);
      }
      source.setv({ data }, { sync: false, check_eq: false });
    }
  };
  // Bokeh makes a browser work out its styles and its layout again and again while it paints plots: each axis and
  // legend writes its place as a style sheet, the same as before; each curve has an empty element that follows
  // its data; and each text asks for the size of the page's type and for a style of its own (`--bk-...`, of which
  // there is none here). That took more than drawing the plots.
  const calmPainting = () => {
    const { InlineStyleSheet } = Bokeh.require("core/dom");
    const { replace } = InlineStyleSheet.prototype;
    InlineStyleSheet.prototype.replace = function (css, styles) {
      if (styles !== undefined || css !== this.css) replace.call(this, css, styles);
    };
    Bokeh.require("models/renderers/glyph_renderer").GlyphRendererView.prototype.update_position = () => {};
    const legend = Bokeh.require("models/annotations/legend").LegendView.prototype, { connect_signals } = legend;
    legend.connect_signals = function () {
      this.on_transitive_change = (items, act) => { for (const item of this.model.items) this.connect(item.change, act); };
      connect_signals.call(this);
      delete this.on_transitive_change;
    };
    Bokeh.require("core/visuals/visual").VisualProperties.prototype._get_css_value = () => "";
    const plot = Bokeh.require("models/plots/plot_canvas").PlotView.prototype;
    const { get } = Object.getOwnPropertyDescriptor(plot, "base_font_size");
    const sizes = new WeakMap();  // view -> size of type and the frame that it was asked for in
    Object.defineProperty(plot, "base_font_size", { configurable: true, get() {
      const frame = document.timeline.currentTime, held = sizes.get(this);
      if (held?.frame === frame) return held.size;
      const size = get.call(this);
      sizes.set(this, { frame, size });
      return size;
    } });
  };
  // a document enters this list while it is made, and is heard once it is: before any message comes
  const hearDocuments = () => {
    const { documents } = Bokeh;
    documents.push = (made) => {
      queueMicrotask(() => made.on_message("forktail-columns", takeColumns(made)));
      return Array.prototype.push.call(documents, made);
    };
  };

  // The class room is loaded by those who are in it, and by the pages where it is entered.
  const loadRoom = () => {
    const entry = document.querySelector("[data-room]");
    if (!entry && !tab.text("forktail-room")) return;
    load("pages/class/room.css"); load("pages/class/room.js");
    if (entry) load("pages/class/class.js");
  };

  const settle = () => {
    loadRoom();
    if (document.getElementById("forktail-undo")) load("ui/history.js");
    if (tab.text(MINUTE) && location.pathname === base.pathname) load("pages/steer/minute.js");
    if (document.querySelector("[data-law]")) load("ui/law.js");
    // what has taken hold of the point is no scroll
    for (const canvas of document.querySelectorAll(".plot .canvas")) {
      canvas.addEventListener("touchstart", (event) => { if (dragged) event.preventDefault(); }, { passive: false });
    }
    // on a phone the navigation is wider than the screen: show where we are
    const nav = document.querySelector(".top nav"), here = nav?.querySelector("[aria-current]");
    if (here) nav.scrollLeft = here.offsetLeft - nav.offsetLeft - (nav.clientWidth - here.offsetWidth) / 2;
  };

  document.addEventListener("DOMContentLoaded", () => {
    if (window.Bokeh) { hearDocuments(); calmPainting(); }  // the entry of a class has none
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
    document.getElementById("forktail-help")?.addEventListener("click", help);
    document.getElementById("forktail-present")?.addEventListener("click", async () => {
      await load("ui/present.js");
      window.forktailPresent.set(true);
    });
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
