// The controls of a page: sliders with typed entries, choices, flags and buttons, built from a
// specification and kept by patches. One message is under way at a time: while the server
// answers, only the newest value of a drag is kept, so slow links lag but never pile up.
export function render({ model, el }) {
  const { make, button, options, hostOf, patchOf, save, load, bind } = window.forktailDom;
  const host = hostOf(el, "controls");
  const rows = new Map();
  let waiting = 0, waitingSince = 0, seq = 0, next = null, playing = null, urlTimer = 0;

  // the class room hears that somebody moved something here, and so no longer follows
  const QUIET = ["theme", "csv", "save", "qr"];
  const acted = ({ kind, name = "", view = "" }) => {
    if (!QUIET.includes(kind)) window.dispatchEvent(new CustomEvent("forktail-acted", { detail: { kind, name, view } }));
  };
  // what the server has not answered when the connection is lost is kept like what comes after
  const link = window.forktailLink, KEPT = [...QUIET, "follow"];
  let unanswered = [];
  const send = (message) => {
    if (!KEPT.includes(message.kind)) {
      if (link?.isLost) { link.hold(message); return; }
      const sent = performance.now();
      unanswered = [...unanswered.filter((m) => sent - m.sent < 3000), { sent, message }];
    } else if (link?.isLost) return;
    model.send_msg(message);
  };
  const now = (message) => { acted(message); send(message); };
  const stream = (message) => { acted(message); put(message); };
  const put = (message) => {
    // a lost answer must not lock the controls for good
    if (waiting && !link?.isLost && performance.now() - waitingSince < 2000) { next = message; return; }
    const mine = waiting = ++seq;
    waitingSince = performance.now(); next = null;
    setTimeout(() => { if (waiting === mine) { waiting = 0; if (next) put(next); } }, 2100);
    send({ ...message, seq });
  };

  const symbol = (text) => {
    const node = make("span", { class: "symbol" });
    const [head, ...tail] = text.split("_");
    node.append(make("i", { text: head }));
    if (tail.length) node.append(make("sub", { text: tail.join(" ") }));
    return node;
  };

  const quantity = (row) => {
    const id = `q-${row.name}`;
    const entry = make("input", { type: "text", class: "entry", id: `${id}-entry`, size: 9,
      "aria-label": `${row.label}, value with unit`, autocomplete: "off", spellcheck: "false",
      "data-name": row.name });
    const slider = make("input", { type: "range", min: 0, max: row.steps, step: 1, id,
      "data-name": row.name, "aria-label": row.label });
    const error = make("div", { class: "entry-error", role: "alert", hidden: true });
    const label = make("label", { for: id }, make("span", { text: row.short || row.label }));
    if (row.symbol) label.append(" ", symbol(row.symbol));
    let shown = "", typing = false;
    slider.addEventListener("input", () => {
      stop();
      stream({ kind: "slide", name: row.name, pos: +slider.value });
    });
    const commit = () => {
      typing = false;
      if (entry.value === shown) return;
      stop();
      now({ kind: "entry", name: row.name, text: entry.value });
    };
    entry.addEventListener("input", () => { typing = true; });
    entry.addEventListener("change", commit);
    entry.addEventListener("focus", () => entry.select());
    entry.addEventListener("keydown", (event) => {
      if (event.key === "Enter") commit();
      if (event.key === "Escape") { typing = false; entry.value = shown; fail(""); }
      if (event.key === "ArrowUp" || event.key === "ArrowDown") {
        event.preventDefault(); stop();
        const step = (event.key === "ArrowUp" ? 1 : -1) * (event.shiftKey ? 10 : 1);
        stream({ kind: "step", name: row.name, by: step });
      }
    });
    const fail = (text) => {
      error.hidden = !text; error.textContent = text;
      entry.toggleAttribute("aria-invalid", !!text);
    };
    rows.set(row.name, {
      set(v) {
        // a slider that has moved on since is ahead of this answer: held arrow keys lose no step
        const ahead = next && next.name === row.name || playing && playing.name === row.name;
        if ("pos" in v && +slider.value !== v.pos && !ahead) slider.value = v.pos;
        if ("text" in v) {
          if (!typing || v.text !== shown) entry.value = v.text;
          shown = entry.dataset.shown = v.text;
          slider.setAttribute("aria-valuetext", v.text);
          fail("");
        }
        if ("beyond" in v) slider.toggleAttribute("data-beyond", v.beyond);
      },
      // what was typed and not entered yet
      draft: () => (typing ? entry.value : ""),
      retype(text) { typing = true; entry.value = text; entry.setSelectionRange(text.length, text.length); },
      fail, slider,
    });
    return make("div", { class: "row" }, label, entry, slider, error);
  };

  const choice = (row) => {
    if (row.look === "tabs") {
      const buttons = row.options.map(([key, label]) => {
        const b = make("button", { type: "button", role: "radio", "data-value": key, text: label,
          id: `q-${row.name}-${key}` });
        b.addEventListener("click", () => { stop(); now({ kind: "choose", name: row.name, value: key }); });
        return b;
      });
      const mark = (key) => buttons.forEach((b) => {
        const on = b.dataset.value === key;
        b.setAttribute("aria-checked", on); b.tabIndex = on ? 0 : -1;
      });
      const box = make("div", { class: "tabs", role: "radiogroup", "aria-label": row.label }, ...buttons);
      box.addEventListener("keydown", (event) => {
        const by = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
        if (!by) return;
        event.preventDefault();
        const at = buttons.indexOf(event.target);
        const to = buttons[(at + by + buttons.length) % buttons.length];
        to.focus(); to.click();
      });
      rows.set(row.name, { set(v) { mark(v.value); }, fail() {} });
      return box;
    }
    const select = make("select", { id: `q-${row.name}`, "data-name": row.name, "aria-label": row.label },
      ...options(row.options));
    select.addEventListener("change", () => { stop(); now({ kind: "choose", name: row.name, value: select.value }); });
    rows.set(row.name, { set(v) { select.value = v.value; }, fail() {} });
    return make("div", { class: "row" }, make("label", { for: `q-${row.name}`, text: row.short || row.label }), select);
  };

  const flag = (row) => {
    const box = make("input", { type: "checkbox", id: `q-${row.name}`, "data-name": row.name });
    box.addEventListener("change", () => now({ kind: "flag", name: row.name, value: box.checked }));
    rows.set(row.name, { set(v) { box.checked = v.value; }, fail() {} });
    return make("label", { class: "flag" }, box, make("span", { text: row.label }));
  };

  const menu = (label, choices, onPick) => {
    const select = make("select", { "aria-label": label },
      ...options([["", label], ...choices.map((text) => [text, text])]));
    select.addEventListener("change", () => {
      if (select.value) { stop(); onPick(select.value); }
      select.value = "";
    });
    return select;
  };

  // Play: the slider moves by itself, slowly, from where it stands, to both ends and back.
  const stop = () => {
    if (!playing) return;
    cancelAnimationFrame(playing.frame);
    playing.button.textContent = "Play";
    playing.button.setAttribute("aria-pressed", "false");
    playing = null;
  };
  const play = (name, b) => {
    const { slider } = rows.get(name);
    const top = +slider.max, seconds = 16;
    let phase = Math.asin(Math.min(1, Math.max(-1, 2 * slider.value / top - 1))), last = 0;
    const state = { name, button: b };
    const tick = (t) => {
      if (playing !== state) return;
      if (last) phase += Math.min(t - last, 100) / 1000 * 2 * Math.PI / seconds;
      last = t;
      const pos = Math.round(top * (Math.sin(phase) + 1) / 2);
      if (+slider.value !== pos) { slider.value = pos; stream({ kind: "slide", name, pos }); }
      state.frame = requestAnimationFrame(tick);
    };
    playing = state;
    b.textContent = "Stop"; b.setAttribute("aria-pressed", "true");
    state.frame = requestAnimationFrame(tick);
  };

  const note = make("div", { class: "notice", role: "status", hidden: true });
  const say = (lines) => {
    note.replaceChildren();
    note.hidden = !lines.length;
    if (!lines.length) return;
    lines.forEach((line) => note.append(make("p", { text: line })));
    note.append(button("Close", () => { note.hidden = true; }));
  };

  const opened = new Map();
  const loadFile = async (f) => {
    stop();
    if (f.size > 400000) say([`The file ${f.name} holds ${f.size} bytes; a scene file has at most 400000.`]);
    else now({ kind: "load", name: f.name, text: await f.text() });
  };
  // A scene file may be dropped anywhere; what a view of the page takes for itself it stops first.
  const onOver = (event) => { if (event.dataTransfer?.types.includes("Files")) event.preventDefault(); };
  const onDrop = (event) => {
    const f = event.dataTransfer?.files[0];
    if (event.defaultPrevented || !f) return;
    event.preventDefault();
    if (f.name.toLowerCase().endsWith(".toml")) loadFile(f);
    else say([`The file ${f.name} was not read: a saved scene or circuit ends in .toml.`]);
  };

  const build = () => {
    // what the user had opened or typed, and where the focus was, outlive a new set of rows
    const focused = host.getRootNode().activeElement?.id;
    const drafts = [...rows].map(([name, row]) => [name, row.draft?.()]).filter(([, text]) => text);
    stop(); rows.clear(); host.replaceChildren(note);
    const { spec } = model;
    for (const group of spec.groups) {
      const made = group.rows.map((row) => ({ quantity, choice, flag })[row.kind](row));
      const look = group.tight ? "group tight" : "group";
      if (group.fold) {
        const fold = make("details", { class: look, open: opened.get(group.title) ?? group.open },
          make("summary", { text: group.title }), ...made);
        fold.addEventListener("toggle", () => { opened.set(group.title, fold.open); });
        host.append(fold);
      } else {
        host.append(make("section", { class: look },
          ...(group.title ? [make("h2", { text: group.title })] : []), ...made));
      }
    }
    const tools = make("div", { class: "tools" });
    const wanted = (name) => !spec.tools || spec.tools.includes(name); // all, unless a page says which
    if (spec.presets.length) tools.append(menu("Presets\u2026", spec.presets, (v) => now({ kind: "preset", name: v })));
    if (spec.play.length) {
      const which = make("select", { "aria-label": "What Play moves" },
        ...options(spec.play));
      const b = button("Play", () => { if (playing) stop(); else play(which.value, b); }, { "aria-pressed": "false", class: "play" });
      which.addEventListener("change", stop);
      tools.append(make("span", { class: "pair" }, b, which));
    }
    if (wanted("reset")) tools.append(button("Reset", () => { stop(); now({ kind: "reset" }); }));
    const copy = button("Copy link", async () => {
      syncUrl();
      let done = true;
      try { await navigator.clipboard.writeText(location.href); } catch { done = false; }
      if (done) { copy.textContent = "Copied"; setTimeout(() => { copy.textContent = "Copy link"; }, 1500); }
      else say([`The browser gave no access to the clipboard. The link is: ${location.href}`]);
    });
    if (wanted("copy")) tools.append(copy);
    if (wanted("save")) tools.append(button("Save", () => now({ kind: "save" }), { title: "Save this scene as a file" }));
    if (wanted("picture")) tools.append(button("Picture", async () => { syncUrl(); await load("ui/picture.js"); window.forktailPicture(); }, { title: "This scene as a picture with its caption and link" }));
    const file = make("input", { type: "file", accept: ".toml,text/plain", hidden: true, "aria-label": "Scene file" });
    file.addEventListener("change", () => {
      if (file.files.length) loadFile(file.files[0]);
      file.value = "";
    });
    if (wanted("load")) tools.append(file, button("Load", () => file.click(), { title: "Load a scene file" }));
    host.append(tools);
    patch();
    if (focused) host.querySelector(`[id="${CSS.escape(focused)}"]`)?.focus();
    for (const [name, text] of drafts) rows.get(name)?.retype(text);
  };

  let query = null;
  const syncUrl = () => {
    clearTimeout(urlTimer); urlTimer = 0;
    if (query !== null) history.replaceState(null, "", query ? `?${query}` : location.pathname);
  };

  const patch = () => {
    const p = patchOf(model);
    unanswered = [];
    for (const [name, v] of Object.entries(p.values || {})) rows.get(name)?.set(v);
    for (const [name, text] of Object.entries(p.errors || {})) rows.get(name)?.fail(text);
    if (p.notice) say(p.notice);
    if (p.query !== undefined || p.inner !== undefined) {
      window.forktailScene = p.query !== undefined ? { query: p.query, passing: model.spec.passing } : { inner: p.inner };
      window.dispatchEvent(new CustomEvent("forktail-scene", { detail: { fresh: p.fresh } }));
    }
    if (p.query !== undefined) {
      query = p.query;
      if (!urlTimer) urlTimer = setTimeout(syncUrl, 400);
    }
    if (p.qr !== undefined) window.dispatchEvent(new CustomEvent("forktail-qr", { detail: p.qr }));
    if (p.download) save(p.download.name, p.download.text, p.download.type);
    if (p.ack !== undefined && p.ack === waiting) {
      waiting = 0;
      if (next) put(next);
    }
  };

  const onDrag = (event) => { stop(); stream({ kind: "drag", ...event.detail }); };
  const onRequest = ({ detail }) => { if (detail.kind === "scene") stop(); now(detail); };
  const onFollow = ({ detail }) => { stop(); put({ kind: "follow", query: detail.query, inner: detail.inner || "" }); };
  const onLost = () => {
    stop(); syncUrl();
    [...unanswered.map((m) => m.message), ...(next ? [next] : [])].forEach((m) => link.hold(m));
    waiting = 0; next = null;
  };
  const onAgain = ({ detail: { seq: _, ...message } }) => { now(message); };
  const has = (selector) => () => !!host.querySelector(selector);
  bind(["\u2190", "\u2192"], "On a slider: one step", has("input[type=range]"));
  bind(["\u2191", "\u2193"], "In a field with a unit: one step. With Shift, ten", has(".entry"));
  bind(["Enter"], "In a field: take what was typed, such as 25mV, 2k2 or 1.5\u00a0mA", has(".entry"));
  bind(["\u2191", "\u2193"], "On the buttons of a choice: the next one", has("[role=radio]"));
  const heard = new AbortController();
  for (const [name, listener] of Object.entries({
    "forktail-lost": onLost, "forktail-again": onAgain, "forktail-drag": onDrag,
    "forktail-follow": onFollow, "forktail-request": onRequest,
    pagehide: syncUrl, dragover: onOver, drop: onDrop,
  })) window.addEventListener(name, listener, { signal: heard.signal });
  build();
  model.on("spec", build);
  model.on("wire", patch);
  now({ kind: "theme", value: document.documentElement.dataset.theme || "light" });
  return () => {
    stop();
    heard.abort();
  };
}
