// The scene as a picture to hand on: a drawing or a plot, a caption, and the link with its QR code. Loaded when asked for.
(() => {
  const { make, button, options, save, deep } = window.forktailDom;
  const WIDE = 1200, EDGE = 40, CODE = 210, LETTERS = 26, SMALL = 17;

  const figures = () => [...document.querySelectorAll("main figure.plot[id^=plot-]")].filter((f) => f.getBoundingClientRect().width > 1)
    .map((f) => [f.id.slice(5), f.getAttribute("aria-label")]);
  // the drawing, if there is one, else the highest plot of the middle of the page
  const chief = (all) => (all.find(([name]) => deep(`svg.${name}`)) ?? all.find(([name]) => document.querySelector(`:is(.times, .plots, .middle) #plot-${name}`)) ?? all[0])?.[0];
  const codeOf = (address) => new Promise((done) => {
    window.addEventListener("forktail-qr", ({ detail }) => done(detail), { once: true });
    window.dispatchEvent(new CustomEvent("forktail-request", { detail: { kind: "qr", address } }));
  });
  const pen = document.createElement("canvas").getContext("2d");
  const lines = (text, size, wide, cut = / /) => {
    pen.font = `${size}px "Atkinson Hyperlegible Next", sans-serif`;
    const joint = cut.source === " " ? " " : "", out = [""];
    for (const word of text.split(cut)) {
      const longer = out.at(-1) ? out.at(-1) + joint + word : word;
      if (out.at(-1) && pen.measureText(longer).width > wide) out.push(word); else out[out.length - 1] = longer;
    }
    return out;
  };
  const escaped = (text) => text.replace(/[&<>]/g, (c) => `&#${c.charCodeAt(0)};`);

  const compose = async (name, caption, address, code) => {
    const inner = new DOMParser().parseFromString(await window.forktailDrawn(name), "image/svg+xml").documentElement;
    const wide = parseFloat(inner.getAttribute("width")), high = parseFloat(inner.getAttribute("height"));
    const scale = Math.min((WIDE - 2 * EDGE) / wide, 900 / high), tall = high * scale;
    if (!inner.hasAttribute("viewBox")) inner.setAttribute("viewBox", `0 0 ${wide} ${high}`);
    for (const [k, v] of [["x", (WIDE - wide * scale) / 2], ["y", EDGE], ["width", wide * scale], ["height", tall]]) inner.setAttribute(k, v.toFixed(1));
    const room = WIDE - 3 * EDGE - (code ? CODE : 0);
    const said = lines(caption, LETTERS, room), link = lines(address, SMALL, room, /(?<=[&?/])/);
    const top = EDGE + tall + EDGE, foot = Math.max(code ? CODE : 0, said.length * 1.3 * LETTERS + 12 + link.length * 1.3 * SMALL);
    const style = getComputedStyle(document.documentElement), colour = (key) => style.getPropertyValue(key).trim();
    const text = (rows, size, y, fill) => rows.map((row, k) => `<text x="${EDGE}" y="${(y + (k + 0.85) * 1.3 * size).toFixed(1)}" font-size="${size}" fill="${fill}">${escaped(row)}</text>`).join("");
    const qr = code ? code.replace("<svg ", `<svg x="${WIDE - EDGE - CODE}" y="${top}" width="${CODE}" height="${CODE}" `) : "";
    const whole = Math.ceil(top + foot + EDGE);
    return [`<svg xmlns="http://www.w3.org/2000/svg" width="${WIDE}" height="${whole}" viewBox="0 0 ${WIDE} ${whole}" font-family="Atkinson Hyperlegible Next, sans-serif"><title>${escaped(caption)}</title>`
      + `<rect width="100%" height="100%" fill="${colour("--panel")}"/>${new XMLSerializer().serializeToString(inner)}`
      + `${text(said, LETTERS, top, colour("--ink"))}${text(link, SMALL, top + said.length * 1.3 * LETTERS + 12, colour("--soft"))}${qr}</svg>`, whole];
  };

  window.forktailPicture = async () => {
    const all = figures();
    if (!all.length) return;
    const which = make("select", { "aria-label": "What is shown" }, ...options(all));
    which.value = chief(all);
    const caption = make("textarea", { rows: 3, maxlength: 600, "aria-label": "Caption" });
    caption.value = (deep(".sentence")?.textContent || "").replace(/\u00a0/g, " ").trim();
    const preview = make("img", { alt: "The picture as it will be saved" }), address = location.href;
    const code = await codeOf(address);
    let text = "", high = 0, url = "";
    const draw = async () => {
      [text, high] = await compose(which.value, caption.value, address, code);
      URL.revokeObjectURL(url);
      preview.src = url = URL.createObjectURL(new Blob([text], { type: "image/svg+xml" }));
    };
    const file = (kind) => `forktail-${which.value}-scene.${kind}`;
    const png = async () => {
      await preview.decode();
      const canvas = make("canvas", { width: 2 * WIDE, height: 2 * high });
      canvas.getContext("2d").drawImage(preview, 0, 0, canvas.width, canvas.height);
      canvas.toBlob((blob) => save(file("png"), blob));
    };
    const box = make("dialog", { class: "sheet", "aria-label": "The scene as a picture" },
      make("div", { class: "line" }, make("label", { text: "Shown: " }, which), make("label", { class: "grow" }, "Caption", caption)),
      preview, !code && make("p", { text: "The link is too long for a QR code; it is given as text." }),
      make("div", { class: "tools" }, button("Save PNG", png), button("Save SVG", () => save(file("svg"), new Blob([text], { type: "image/svg+xml" }))), button("Close", () => box.close())));
    which.addEventListener("change", draw); caption.addEventListener("input", draw);
    box.addEventListener("close", () => { URL.revokeObjectURL(url); box.remove(); });
    await draw();
    document.body.append(box);
    box.showModal();
  };
})();
