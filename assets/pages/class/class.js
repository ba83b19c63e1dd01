// The presenter's desk and the learners' entry: what only these two pages do with the room.
(() => {
  const { make, button, options } = window.forktailDom, R = window.forktailRoom, { room } = R;
  const at = (id) => document.getElementById(id);

  // ---- the entry

  if (at("join-state")) {
    const role = new URLSearchParams(location.search).has("projector") ? "screen" : "learner";
    const state = at("join-state");
    const say = () => {
      state.textContent = !room.connected ? "Looking for the server\u2026"
        : !room.open ? "You are in. The presenter has not opened the room yet; this page waits."
          : room.scene ? "You are in. Here comes the scene\u2026"
            : "You are in. The presenter has not shown a page yet; this page waits.";
    };
    if (R.me.role === "presenter") {
      state.textContent = "This window presents. To try the room as a learner, open a private window.";
      at("join-leave").hidden = true;
      return;
    }
    R.listen(say);
    R.join(role);
    say();
    at("join-leave").addEventListener("click", R.leave);
    return;
  }

  // ---- the desk

  if (!at("class-desk")) return;
  let offer = null, address = "";
  const LOCAL = /^(localhost|127\.|\[?::1)/;
  const prefix = R.base.pathname;
  const addressFor = (host) => `${location.protocol}//${host}${location.port ? `:${location.port}` : ""}${prefix}join`;

  const showAddress = (full) => {
    address = full;
    at("desk-address").textContent = full.replace(/^http:\/\//, "");
    R.send({ kind: "code", address: full });
  };
  const fillOffer = () => {
    at("desk-sets").replaceChildren(...options(offer.sets.map((s, n) => [n, `${s.title} (${s.scenes.length})`])));
    at("desk-questions").replaceChildren(...options(offer.questions.map(([lesson, step, title]) => [JSON.stringify([lesson, step]), title])));
    at("desk-put").disabled = !offer.questions.length;
    const outside = !LOCAL.test(location.hostname);
    const hosts = outside ? [location.hostname, ...offer.hosts.filter((h) => h !== location.hostname)] : offer.hosts.length ? offer.hosts : [location.hostname];
    at("desk-hosts").replaceChildren(...options(hosts.map((h) => [h, h])));
    at("desk-hosts-row").hidden = hosts.length < 2;
    at("desk-local").hidden = outside || offer.hosts.length > 0;
    showAddress(addressFor(hosts[0]));
  };
  const fillList = () => {
    const { scenes, index } = room.desk;
    const list = at("desk-list"), text = JSON.stringify([scenes, index]);
    if (list.dataset.drawn === text) return;
    list.dataset.drawn = text;
    list.replaceChildren(...scenes.map((scene, n) => make("li", { "aria-current": n === index && "true" },
      button(scene.title, () => { R.send({ kind: "step", index: n }); R.go(scene); }, { class: "scene-row" }),
      button("\u00d7", () => R.send({ kind: "prepare", scenes: scenes.filter((_, k) => k !== n) }), { "aria-label": `Take ${scene.title} off the list` }))));
    if (!scenes.length) list.append(make("li", { class: "soft", text: "No list yet. Choose one above, or go to a page and add its scene here." }));
  };

  const note = (text) => { at("desk-note").textContent = text; at("desk-note").hidden = !text; };
  const paint = (kind, m) => {
    const driving = R.driving();
    at("desk").hidden = !driving;
    const waits = R.me.role === "presenter" && !driving && !["locked", "former", "closed"].includes(room.state);
    at("desk-door").hidden = driving || (waits && room.connected && !!R.me.key);
    if (kind === "said" && !driving) { at("desk-said").textContent = m.text; at("desk-said").hidden = false; }
    if (kind === "said" && driving && (m.about === "ask" || m.about === "desk")) note(m.text);
    if (kind === "asked") note("");
    if (!driving) { offer = null; return; }
    at("desk-said").hidden = true;
    if (!offer) { offer = { sets: [], questions: [], hosts: [] }; R.send({ kind: "desk" }); }
    if (kind === "offer") { offer = m; fillOffer(); }
    if (kind === "code") { at("desk-qr").innerHTML = m.svg; at("desk-qr").setAttribute("aria-label", `QR code of ${m.address}`); }
    if (room.desk) {
      at("desk-following").textContent = room.desk.following;
      at("desk-exploring").textContent = room.desk.exploring;
      at("desk-screens").textContent = room.desk.screens;
      at("desk-results").disabled = !room.desk.asked;
      at("desk-add").disabled = !R.me.shown;
      fillList();
    }
  };
  R.listen(paint);

  at("desk-open").addEventListener("submit", (event) => {
    event.preventDefault();
    const code = at("desk-code").value.trim();
    if (code) R.open(code);
  });
  at("desk-hosts").addEventListener("change", () => showAddress(addressFor(at("desk-hosts").value)));
  at("desk-use").addEventListener("click", async () => {
    const { scenes } = offer.sets[+at("desk-sets").value], now = room.desk.scenes;
    const same = (a, b) => a.path === b.path && a.query === b.query && a.title === b.title;
    const prepared = offer.sets.some((s) => s.scenes.length === now.length && s.scenes.every((one, n) => same(one, now[n])));
    const answer = !now.length || prepared ? "replace" : await R.choose(`This list would replace yours, which holds ${now.length} ${now.length === 1 ? "scene" : "scenes"}.`,
      [["add", "Add it below"], ["replace", "Replace my list"], ["", "Keep my list"]]);
    if (answer) R.send({ kind: "prepare", scenes: answer === "add" ? [...now, ...scenes] : scenes });
  });
  at("desk-add").addEventListener("click", () => {
    const { shown } = R.me;
    const page = document.querySelector(`nav a[href="${shown.path || "./"}"]`)?.textContent || "Lesson";
    const scenes = room.desk.scenes;
    R.send({ kind: "prepare", scenes: [...scenes, { title: `${page}, own scene ${scenes.length + 1}`, ...shown }] });
  });
  at("desk-put").addEventListener("click", () => {
    const [lesson, step] = JSON.parse(at("desk-questions").value);
    R.ask({ lesson, step, hide: at("desk-hide").checked });
  });
  at("desk-results").addEventListener("click", () => R.send({ kind: "results" }));
  at("desk-projector").addEventListener("click", () => window.open(new URL("join?projector", R.base), "_blank", "noopener,popup,width=1280,height=720"));
  at("desk-end").addEventListener("click", async () => {
    const answer = room.desk.asked
      ? await R.choose("The room ends for everybody. The results of its questions are forgotten with it, unless you save them.",
        [["save", "Save the results and end"], ["end", "End and forget them"], ["", "Keep the room open"]])
      : await R.choose("The room ends for everybody, and its list of scenes is forgotten.", [["end", "End the lesson"], ["", "Keep the room open"]]);
    if (answer === "save") R.saveAndEnd();
    if (answer === "end") R.end();
  });
  paint("start");
})();
