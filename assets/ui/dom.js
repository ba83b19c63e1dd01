// What all scripts here build with. A classic script before all others, since the theme is read
// before anything is painted; components, which are modules, find it as `window.forktailDom` too.
window.forktailDom = (() => {
  // An element: `text`, `html` (made by the server), `on` (a click); true is an attribute without
  // a value, false, null and undefined are none. Children that are false or null are left out.
  const make = (tag, attributes = {}, ...children) => {
    const node = document.createElement(tag);
    for (const [k, v] of Object.entries(attributes)) {
      if (k === "text") node.textContent = v;
      else if (k === "html") node.innerHTML = v;
      else if (k === "on") node.addEventListener("click", v);
      else if (v !== false && v !== null && v !== undefined) node.setAttribute(k, v === true ? "" : v);
    }
    node.append(...children.filter(Boolean));
    return node;
  };
  const button = (text, on, attributes = {}) => make("button", { type: "button", text, on, ...attributes });
  const options = (pairs) => pairs.map(([value, text]) => make("option", { value, text }));

  // The one element that a component fills.
  const hostOf = (el, name, tag = "div") => {
    const host = make(tag, { class: name });
    el.append(host);
    return host;
  };
  // What the server sent last to a component (`ui/component.py`).
  const patchOf = (model) => JSON.parse(model.wire)[1];

  // Hands the user a file; `data` is a text or a Blob.
  const save = (name, data, type = "text/plain") => {
    const url = URL.createObjectURL(data instanceof Blob ? data : new Blob([data], { type }));
    const link = make("a", { href: url, download: name });
    document.body.append(link); link.click(); link.remove();
    setTimeout(() => URL.revokeObjectURL(url), 10000);
  };

  // Loads a script or a style sheet of ours, once: what a page can do without until somebody asks for it.
  const assets = new URL("../", document.currentScript.src), loaded = new Map();
  const load = (path) => {
    if (!loaded.has(path)) loaded.set(path, new Promise((done, fail) => {
      const url = new URL(path, assets);
      const node = path.endsWith(".css") ? make("link", { rel: "stylesheet", href: url }) : Object.assign(make("script", { src: url }), { async: false });
      node.addEventListener("load", done); node.addEventListener("error", fail);
      document.head.append(node);
    }));
    return loaded.get(path);
  };

  // What a key does, told where it is bound, for the help behind `?`; `there` says whether the page has what it acts on.
  const binds = [];
  const bind = (keys, does, there = () => true) => { binds.push({ keys, does, there }); };

  // A storage of the browser, which may be barred, full or damaged: then there is nothing in it.
  const drawer = (where) => {
    const attempt = (act) => { try { return act(window[where]); } catch { return null; } };
    return {
      text: (key) => attempt((s) => s.getItem(key)),
      read: (key) => attempt((s) => JSON.parse(s.getItem(key))),
      // a text is kept as it is, anything else as JSON, and null is taken out; says whether it worked
      write: (key, value) => attempt((s) => {
        if (value === null) s.removeItem(key);
        else s.setItem(key, typeof value === "string" ? value : JSON.stringify(value));
        return true;
      }) === true,
    };
  };

  // An element, also inside the shadow root of a component.
  const deep = (selector, scope = document) => {
    const found = scope.querySelector(selector);
    if (found) return found;
    for (const node of scope.querySelectorAll("*")) {
      const inner = node.shadowRoot && deep(selector, node.shadowRoot);
      if (inner) return inner;
    }
    return null;
  };

  return { make, button, options, hostOf, patchOf, save, load, bind, binds, deep, browser: drawer("localStorage"), tab: drawer("sessionStorage") };
})();
