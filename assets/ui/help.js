// The keys of this page, as it really has them (`bind` in dom.js), and where to begin. Loaded when asked for.
(() => {
  const { make, button, tab, binds } = window.forktailDom;
  window.forktailHelp = () => {
    if (document.querySelector("dialog.help")) return;
    const rows = binds.filter(({ there }) => there()).map(({ keys, does }) => make("tr", {},
      make("th", { scope: "row" }, ...keys.flatMap((key, k) => [k ? " or " : "", ...key.split("+").flatMap((part, n) => [n ? " + " : "", make("kbd", { text: part })])])),
      make("td", { text: does })));
    const minute = () => { tab.write("forktail-minute", "yes"); location.href = "./?stage=pair&v_upper=0V"; };
    const box = make("dialog", { class: "sheet help", "aria-label": "Help" },
      make("h2", { text: "Keys on this page" }), make("table", {}, make("tbody", {}, ...rows)),
      make("div", { class: "tools" }, button("Show me the first minute", minute), make("a", { href: "lessons", text: "Lessons" }), button("Close", () => box.close())));
    box.addEventListener("close", () => box.remove());
    document.body.append(box);
    box.showModal();
  };
})();
