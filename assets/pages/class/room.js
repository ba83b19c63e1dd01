// The class room in the browser, on every page: one light websocket, a bar at the foot, the
// question card and the pointer. A scene arrives as text and is given to the page as if its link
// had been opened; the page's own session computes it. Loaded by page.js only by those in a room.
(() => {
  if (window.forktailRoom) return;
  const { make, button, options, save, load, bind, deep, browser, tab } = window.forktailDom;
  const root = document.documentElement;
  const base = new URL("../../../", document.currentScript.src);
  const here = location.pathname.startsWith(base.pathname) ? location.pathname.slice(base.pathname.length).replace(/\/$/, "") : "";
  const SHOWN = !["class", "join"].includes(here);

  // ---- what this tab remembers

  let me = tab.read("forktail-room") || {};
  const keep = (changes) => { me = { ...me, ...changes }; tab.write("forktail-room", me); };
  // a choice, and the one asking of a question that it belongs to
  const about = (q, choice) => ({ question: q.id, asking: q.round, text: q.text, choice });
  const belongs = (one, q) => !!one && one.question === q.id && one.asking === q.round && one.text === q.text;
  const forget = () => { me = {}; tab.write("forktail-room", null); };
  // the seat belongs to the browser, so that a second tab is no second vote; a day later it is a new one
  const SEAT = "forktail-seat", SEAT_AGE = 12 * 3600e3;
  const seat = () => {
    const kept = browser.read(SEAT);
    return me.token || (kept && Date.now() - kept.since < SEAT_AGE ? kept.token : "");
  };


  // ---- what the room says

  const room = { open: false, away: false, frozen: false, veil: false, question: null, scene: null, desk: null,
    tally: null, connected: false, state: "", given: { question: 0, answers: [] }, said: "" };
  const listeners = new Set();
  const changed = (kind) => { paint(kind); listeners.forEach((f) => f(kind)); };

  let socket = null, tries = 0, retry = 0;
  const send = (message) => {
    if (socket?.readyState !== WebSocket.OPEN) return false;
    socket.send(JSON.stringify(message));
    return true;
  };

  const connect = () => {
    clearTimeout(retry);
    if (socket && socket.readyState < WebSocket.CLOSING) return;
    const url = new URL("room", base);
    url.protocol = url.protocol.replace("http", "ws");
    socket = new WebSocket(url);
    const mine = socket;
    socket.onopen = () => {
      tries = 0; room.connected = true;
      hello();
      changed("connection");
    };
    socket.onmessage = (event) => { if (mine === socket) take(JSON.parse(event.data)); };
    socket.onclose = () => {
      if (mine !== socket) return;
      room.connected = false;
      changed("connection");
      // waits grow, with some chance in them so that a class does not come back all at once
      retry = setTimeout(connect, Math.min(500 * 2 ** tries++, 5000) * (0.6 + 0.8 * Math.random()));
    };
  };
  const hello = () => {
    if (me.role === "presenter") {
      if (me.key) send({ kind: "present", key: me.key });
      else if (me.code) reopen();
      else room.state = "locked"; // the code that this window had is no longer that of the server
    } else if (me.role === "learner" || me.role === "screen") send({ kind: "join", token: seat(), follows: me.follows !== false, role: me.role });
  };
  const reopen = () => {
    send({ kind: "open", code: me.code, snapshot: tab.read("forktail-room-kept") });
  };

  const take = (m) => {
    if (m.kind === "room") {
      const { question } = m, former = room.question;
      Object.assign(room, m);
      if (!question || !former || question.id !== former.id || question.round !== former.round) folded = false;
      if (!former && question && me.sent) hello();
    } else if (m.kind === "scene") {
      room.scene = m.scene; followScene();
    } else if (m.kind === "pointer") {
      spot = m.spot; placePointer();
    } else if (m.kind === "you") {
      room.given = m;
      resend();
      if (m.token) { keep({ token: m.token }); if (me.role === "learner") browser.write(SEAT, { token: m.token, since: browser.read(SEAT)?.since || Date.now() }); }
    } else if (m.kind === "key") {
      room.state = "driving";
      tell(m.recovered ? "The room was recovered from this window." : m.text);
      keep({ role: "presenter", key: m.key });
      showScene(true);
    } else if (m.kind === "present") {
      room.state = m.state;
      if (m.state === "driving") showScene(true);
      else if (m.state === "closed" && me.code && !ending) { keep({ key: "" }); reopen(); }
      else if (m.state === "closed") { forget(); tab.write("forktail-room-kept", null); }
    } else if (m.kind === "snapshot") {
      tab.write("forktail-room-kept", m.snapshot);
    } else if (m.kind === "desk" || m.kind === "tally") {
      room[m.kind] = m;
    } else if (m.kind === "results") {
      save("forktail-class-results.csv", m.text, "text/csv");
      if (endsNext) end();
    } else if (m.kind === "said") {
      if (m.about === "open") { room.state = "locked"; keep({ code: "" }); }
      if (m.about === "ask" && askForm) askForm.fail(m.text); else tell(m.text);
    } else if (m.kind === "askable") {
      openForm(m);
    } else if (m.kind === "asked") {
      askForm?.close();
      if (m.start && here !== "lesson") go(m.start);
    }
    listeners.forEach((f) => f(m.kind, m));
    paint(m.kind);
  };
  // an answer that a server took with it when it stopped is given again, and still counts once
  const resend = () => {
    const { sent } = me, q = room.question;
    if (q?.phase !== "open" || !belongs(sent, q)) return;
    if (room.given.question === q.id && (room.given.answers[q.round - 1] ?? null) === null) {
      send({ kind: "answer", question: q.id, asking: q.round, choice: sent.choice });
    }
  };
  let saidTimer = 0, ending = false, endsNext = false;
  // a sentence in the bar, for as long as it takes to read it
  const tell = (text) => {
    room.said = text;
    clearTimeout(saidTimer);
    saidTimer = setTimeout(() => { room.said = ""; changed("quiet"); }, 8000);
  };
  // Nothing that somebody made is replaced or ended without this question. Says which of
  // [[key, label], ...] is pressed; the last one changes nothing, and Escape is the same.
  const choose = (text, answers) => new Promise((done) => {
    const box = make("dialog", { class: "room-sure" }, make("p", { text }), make("div", { class: "tools" },
      ...answers.map(([key, label], n) => button(label, () => box.close(key), { autofocus: n === answers.length - 1, class: n ? "" : "main-button" }))));
    box.addEventListener("close", () => { box.remove(); done(box.returnValue); });
    document.body.append(box);
    box.showModal();
  });

  // ---- scenes: the presenter shows them, learners follow

  const link = (scene) => new URL(scene.path + (scene.query ? `?${scene.query}` : ""), base).href;
  const driving = () => me.role === "presenter" && room.state === "driving";
  const following = () => (me.role === "learner" && me.follows !== false) || me.role === "screen";

  const myScene = () => {
    const made = window.forktailScene;
    const search = location.search.slice(1);
    return { path: here, query: made && "query" in made ? made.query : search, inner: made?.inner || "" };
  };
  let lastShown = "", showTimer = 0, showDue = 0;
  const showScene = (now = false) => {
    if (!driving() || !SHOWN) return;
    const wait = showDue - performance.now();
    if (!now && wait > 0) { showTimer ||= setTimeout(showScene, wait); return; }
    clearTimeout(showTimer); showTimer = 0;
    const scene = myScene(), text = JSON.stringify(scene);
    if (text === lastShown && !now) return;
    showDue = performance.now() + 33; // at most 30 a second leave; the newest always does
    if (send({ kind: "show", scene })) { lastShown = text; keep({ shown: scene }); }
  };
  window.addEventListener("forktail-scene", () => { if (pendingScene) followScene(); showScene(); });
  // a lesson changes its step by its address alone
  let address = location.href;
  setInterval(() => { if (location.href !== address) { address = location.href; showScene(); changed("step"); } }, 250);

  let leaving = "", applied = null, pendingScene = false, waitingSince = 0;
  // Which lesson a link opens; a round of questions (`seed`, `ask`) is another one each time.
  const lesson = (text) => {
    if (here !== "lesson" && !text.startsWith("id=")) return null;
    const wanted = new URLSearchParams(text);
    return ["id", "seed", "ask"].map((name) => wanted.get(name)).filter(Boolean).join("&");
  };
  const followScene = (again = false) => {
    const scene = room.scene;
    if (!following() || !scene) return;
    const page = `${scene.path}?${lesson(scene.query)}`;
    if (page !== `${here}?${lesson(location.search)}`) {
      if (leaving !== page) location.href = link(scene); // what comes while it loads, the new page will see
      leaving = page;
      return;
    }
    leaving = "";
    const text = JSON.stringify(scene);
    if (text === applied && !again) return;
    if (window.forktailScene) {
      pendingScene = false; applied = text;
      window.dispatchEvent(new CustomEvent("forktail-follow", { detail: scene }));
      return;
    }
    // the page is still being built, or is one without controls
    pendingScene = true; waitingSince ||= performance.now();
    const idle = window.Bokeh?.documents?.[0]?.is_idle;
    if (idle && performance.now() - waitingSince > 1500) {
      pendingScene = false; applied = text;
      if (location.search.slice(1) !== scene.query) location.replace(link(scene));
      return;
    }
    setTimeout(() => { if (pendingScene) followScene(); }, 300);
  };
  const go = (scene) => {
    if (scene.path === here && window.forktailScene && lesson(scene.query) === lesson(location.search)) {
      window.dispatchEvent(new CustomEvent("forktail-follow", { detail: scene }));
    } else location.href = link(scene);
  };
  const setFollows = (on) => {
    keep({ follows: on });
    send({ kind: "follow", on });
    if (on) { waitingSince = 0; followScene(true); }
    changed("follow");
  };
  // whoever moves something explores
  window.addEventListener("forktail-acted", () => { if (me.role === "learner" && me.follows !== false) setFollows(false); });
  document.addEventListener("click", (event) => {
    if (me.role !== "learner" || me.follows === false || !SHOWN) return;
    const [inner] = event.composedPath();
    const moves = event.target.closest?.("header nav a, header .brand, main a[href]")
      || (event.target.closest?.("main") && inner.closest?.("button, input, select, a[href]") && !inner.closest("[data-export], .listen, .exports"));
    if (moves) setFollows(false);
  }, true);

  // ---- stepping with keys or a clicker

  const step = (by) => {
    const { scenes, index } = room.desk;
    const to = Math.min(Math.max(index + by, 0), scenes.length - 1);
    if (to === index || !scenes.length) return;
    room.desk.index = to;
    send({ kind: "step", index: to });
    go(scenes[to]);
    changed("desk");
  };
  bind(["Page Down", "Page Up"], "Step through the scenes of the class", () => driving() && !!room.desk?.scenes.length);
  document.addEventListener("keydown", (event) => {
    if (event.key !== "PageDown" && event.key !== "PageUp") return;
    const target = event.composedPath()[0];
    if (!driving() || !room.desk?.scenes.length || event.ctrlKey || event.altKey || event.metaKey) return;
    if (target.matches?.("input[type=text], textarea, select")) return;
    event.preventDefault(); event.stopPropagation();
    step(event.key === "PageDown" ? 1 : -1);
  }, true);

  // ---- pointer: a place in the page's own parts, so that it fits every screen

  const dot = make("div", { class: "room-pointer", hidden: true, "aria-hidden": "true" });
  let spot = null, pointing = false, pointTimer = 0, pointNext = null;
  // A place is the way to an element by numbers, with "r" into a shadow root, and where in it. What
  // a page builds is the same on every screen; only its size and place differ.
  const sized = (n) => n instanceof HTMLElement && n.offsetWidth > 0 && n.offsetHeight > 0;
  const above = (n) => n.parentElement ?? n.parentNode?.host ?? null;
  const wayTo = (node) => {
    const steps = [], main = document.getElementById("main");
    for (let n = node; n !== main; n = above(n)) {
      if (!n) return null;
      steps.unshift([...n.parentNode.children].indexOf(n));
      if (!n.parentElement) steps.unshift("r");
    }
    return steps.join(".");
  };
  const elementAt = (way) => {
    let node = document.getElementById("main");
    for (const step of /^[\dr.]+$/.test(way) ? way.split(".") : []) {
      const next = step === "r" ? node.shadowRoot : node.children[step];
      if (!next) break; // as near as this page comes
      node = next;
    }
    while (node && !sized(node)) node = node instanceof ShadowRoot ? node.host : above(node);
    return node;
  };
  const spotOf = (event) => {
    const path = event.composedPath();
    const svg = path.find((n) => n instanceof SVGSVGElement && n.viewBox.baseVal?.width && n.classList.length);
    if (svg) {
      const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      return { at: `svg.${svg.classList[0]}`, svg: true, x: p.x, y: p.y };
    }
    const node = path.find(sized), way = node && wayTo(node);
    if (way === null || way === undefined) return null;
    const box = node.getBoundingClientRect();
    return { at: way, svg: false, x: (event.clientX - box.left) / box.width, y: (event.clientY - box.top) / box.height };
  };
  const placePointer = () => {
    dot.hidden = true;
    if (!spot || !(following() || driving()) || !SHOWN) return;
    let x, y;
    if (spot.svg) {
      const svg = /^svg\.[\w-]+$/.test(spot.at) && deep(spot.at);
      if (!svg) return;
      const p = new DOMPoint(spot.x, spot.y).matrixTransform(svg.getScreenCTM());
      [x, y] = [p.x, p.y];
    } else {
      const node = elementAt(spot.at);
      if (!node) return;
      const box = node.getBoundingClientRect();
      [x, y] = [box.left + spot.x * box.width, box.top + spot.y * box.height];
    }
    const foot = innerHeight - (bar.hidden ? 0 : bar.offsetHeight);
    const beyond = y < 0 ? "above" : y > foot ? "below" : "";
    dot.dataset.beyond = beyond;
    dot.textContent = beyond ? `Pointer is ${beyond}` : "";
    dot.style.transform = beyond ? `translate(calc(50vw - 50%), ${beyond === "above" ? 8 : foot - 44}px)` : `translate(${x}px, ${y}px)`;
    dot.hidden = false;
  };
  const sendSpot = (now) => {
    pointNext = now;
    pointTimer ||= setTimeout(() => { pointTimer = 0; send({ kind: "point", spot: pointNext }); }, 40);
    spot = now; placePointer();
  };
  document.addEventListener("pointermove", (event) => { if (pointing && driving()) sendSpot(spotOf(event)); });
  document.addEventListener("pointerleave", () => { if (pointing && driving()) sendSpot(null); });
  addEventListener("scroll", placePointer, { passive: true });
  addEventListener("resize", placePointer);

  // ---- the bar

  const bar = make("div", { class: "room-bar", role: "region", "aria-label": "Class room", hidden: true });
  const card = make("section", { class: "room-card", "aria-label": "Question", hidden: true });
  // the same mode as outside a class (ui/present.js), kept from page to page
  const large = async () => {
    if (!me.large && !window.forktailPresent) return;
    await load("ui/present.js");
    window.forktailPresent.set(!!me.large);
  };
  addEventListener("forktail-presented", ({ detail }) => { if (!!me.large !== detail) { keep({ large: detail }); changed("bar"); } });

  const toggle = (text, on, act, title) => button(text, act, { "aria-pressed": String(!!on), title });
  // shown at once: the desk's answer comes a moment later
  const flip = (kind, what) => {
    room.desk[what] = !room.desk[what];
    send({ kind, on: room.desk[what] });
    changed("bar");
  };
  const people = () => {
    const { desk } = room;
    if (!desk) return "";
    const more = desk.exploring ? `, ${desk.exploring} exploring` : "";
    return `${desk.following} following${more}`;
  };
  const barOfPresenter = () => {
    const { desk } = room, parts = [];
    if (!room.connected) return [make("span", { class: "room-state warn", text: "Connection lost; the room is kept here and comes back by itself\u2026" })];
    if (room.state === "former") {
      return [make("span", { class: "room-state warn", text: "Another presenter drives now." }),
        button("Take over", () => { if (me.code) send({ kind: "open", code: me.code }); else location.href = new URL("class", base); }, { class: "main-button" }),
        button("Follow as a learner", () => { forget(); keep({ role: "learner", follows: true }); location.reload(); })];
    }
    if (room.state === "locked") {
      return [make("span", { class: "room-state warn", text: room.said || "The server has a new code. The room is kept here until you open it." }),
        make("a", { href: new URL("class", base), class: "button", text: "Enter the code" })];
    }
    if (room.state !== "driving" || !desk) return [make("span", { class: "room-state", text: "Opening the room\u2026" })];
    parts.push(make("span", { class: "room-state", role: "status" }, make("b", { text: people() })));
    if (desk.scenes.length) {
      const now = desk.scenes[desk.index];
      parts.push(make("span", { class: "pair" },
        button("\u25c2", () => step(-1), { "aria-label": "Former scene", title: "Page Up", disabled: desk.index <= 0 }),
        make("span", { class: "room-scene", title: now?.title || "", text: `${desk.index + 1 || "\u2013"} of ${desk.scenes.length}` }),
        button("\u25b8", () => step(1), { "aria-label": "Next scene", title: "Page Down", disabled: desk.index >= desk.scenes.length - 1 })));
    }
    parts.push(
      toggle("Hold screens", desk.frozen, () => flip("freeze", "frozen"), "Learners keep what they see while you move on"),
      toggle("Hide values", desk.veil, () => flip("hide", "veil"), "Cover figures and sentences on every screen"));
    if (SHOWN) {
      parts.push(
        toggle("Pointer", pointing, () => { pointing = !pointing; if (!pointing) sendSpot(null); changed("bar"); }, "Show your pointer on every screen"),
        button("Ask", () => openAsk(), { "aria-haspopup": "dialog", title: "Ask what happens to this scene" }));
    }
    parts.push(toggle("Present", me.large, () => { keep({ large: !me.large }); large(); changed("bar"); }, "For a projector: the picture fills the screen"));
    if (SHOWN) parts.push(make("a", { href: new URL("class", base), class: "button", text: "Desk" }));
    return parts;
  };
  const barOfScreen = () => [
    make("span", { class: "room-state", text: !room.connected ? "Connection lost; joining again\u2026" : "Projector window: follows the presenter" }),
    toggle("Present", me.large, () => { keep({ large: !me.large }); large(); changed("bar"); }),
    button("Leave", leave)];
  // the seat stays this browser's: whoever comes back has answered what it has answered
  const leave = () => { forget(); location.href = new URL("./", base); };
  const barOfLearner = () => {
    const follows = me.follows !== false;
    const text = !room.connected ? "Connection lost; joining again\u2026"
      : !room.open ? "The room is not open at the moment"
        : !follows ? "Exploring on your own"
          : away ? "Following; the presenter is away"
            : room.veil ? "Following; values are hidden"
            : room.frozen ? "Following; the presenter holds the screen" : "Following the presenter";
    return [make("span", { class: `room-state${follows && room.connected && room.open ? " live" : ""}`, role: "status", text }),
      follows ? button("Explore", () => setFollows(false)) : button("Follow again", () => setFollows(true), { class: "main-button" }),
      button("Leave", leave, { "aria-label": "Leave the room" })];
  };
  // a page change makes the presenter blink; only a longer absence is said
  let away = false, awayTimer = 0;
  const watchAway = () => {
    if (!room.away) { clearTimeout(awayTimer); awayTimer = 0; away = false; }
    else awayTimer ||= setTimeout(() => { away = true; changed("bar"); }, 5000);
  };

  // a lesson's question that the class answers together is answered on the card, and there alone
  const stepHere = () => { const now = new URLSearchParams(location.search); return `${now.get("id")}/${now.get("step")}`; };
  let drawn = "";
  const paint = (kind) => {
    if (kind === "pointer" || kind === "scene") return;
    watchAway();
    const inside = ["presenter", "learner", "screen"].includes(me.role) && here !== "join";
    bar.hidden = !inside;
    root.toggleAttribute("data-room", inside);
    root.toggleAttribute("data-screen", inside && me.role === "screen");
    root.toggleAttribute("data-veil", inside && room.veil && SHOWN); // for those who explore too
    root.toggleAttribute("data-vote", inside && here === "lesson" && !!room.question && room.question.phase !== "revealed" && room.question.lesson === stepHere());
    if (!inside) { card.hidden = true; dot.hidden = true; return; }
    const parts = { presenter: barOfPresenter, screen: barOfScreen, learner: barOfLearner }[me.role]();
    if (room.said && room.state !== "locked") parts.push(make("span", { class: "room-said", role: "alert", text: room.said }));
    const text = parts.map((p) => p.outerHTML).join("");
    if (text !== drawn) {
      drawn = text;
      const focused = [...bar.querySelectorAll("button, a")].indexOf(document.activeElement);
      bar.replaceChildren(...parts);
      if (focused >= 0) bar.querySelectorAll("button, a")[focused]?.focus();
    }
    paintCard();
    if (!following() && !driving()) dot.hidden = true;
  };

  // ---- the question card

  const LETTERS = "ABCDEF";
  let folded = false, cardDrawn = "";
  const total = (counts) => counts.reduce((a, b) => a + b, 0);
  // no line break between a number and its unit
  const whole = (text) => text.replace(/(\d) (?=[%\u00b0\u00b5\u03a9A-Za-z]{1,3}(?![A-Za-z]))/g, "$1\u00a0");
  const bars = (q, own) => {
    const rounds = q.counts || [], list = make("ol", { class: "room-bars" });
    q.choices.forEach((choice, n) => {
      const right = q.phase === "revealed" && q.right === n;
      const row = make("li", { class: right ? "is-right" : "" },
        make("span", { class: "choice" }, make("b", { text: LETTERS[n] }), ` ${whole(choice)}`,
          right ? make("span", { class: "mark", text: "\u2713 right" }) : null,
          own === n ? make("span", { class: "mark own", text: "your answer" }) : null));
      rounds.forEach((counts, k) => {
        const all = total(counts), part = all ? counts[n] / all : 0;
        row.append(make("span", { class: `count${k < rounds.length - 1 ? " past" : ""}` },
          rounds.length > 1 ? make("span", { class: "when", text: k === 0 ? "first" : k === 1 ? "second" : `asking ${k + 1}` }) : null,
          make("span", { class: "track" }, make("span", { class: "fill", style: `width:${(100 * part).toFixed(1)}%` })),
          make("span", { class: "n", text: all ? `${counts[n]} \u00b7 ${Math.round(100 * part)} %` : "0" })));
      });
      list.append(row);
    });
    return list;
  };
  const shiftText = (s) => {
    if (!s || !s.both) return null;
    const n = s.to_right, m = s.from_right;
    return make("p", { class: "shift", text: `Of ${s.both} who answered both times, ${s.right_before} were right before and ${s.right_now} now: `
      + `${n} came to the right answer, ${m} left it.` });
  };
  const verdict = (q) => q.phase === "revealed" && q.why ? make("p", { class: "why-line", text: whole(q.why) }) : null;
  const again = (q) => q.round > 1 ? ` (asked again)` : "";

  const cardOfLearner = (q) => {
    const own = room.given.question === q.id ? room.given.answers[q.round - 1] ?? null : null;
    const head = make("header", {}, make("h2", { text: `Question${again(q)}` }),
      button(folded ? "Show" : "Fold", () => { folded = !folded; changed("card"); }, { "aria-expanded": String(!folded) }));
    if (folded) return [head];
    const parts = [head, make("p", { class: "question-text", text: whole(q.text) })];
    if (q.phase === "revealed") return [...parts, bars(q, own), verdict(q), shiftText(q.shift)];
    if (own !== null) parts.push(make("p", { class: "own-answer" }, "Your answer is in: ", make("b", { text: LETTERS[own] }), ` ${q.choices[own]}`));
    if (q.phase === "closed") return [...parts, make("p", { class: "soft", text: own === null ? "The question is closed. The result comes when the presenter shows it." : "The question is closed. The result comes soon." })];
    if (own !== null) return [...parts, make("p", { class: "soft", text: "Others are still thinking." })];
    // what is chosen and not sent outlives a page that loads again
    const picked = () => (belongs(me.chosen, q) ? me.chosen.choice : null);
    const form = make("form", { class: "room-form" });
    q.choices.forEach((choice, n) => {
      const box = make("input", { type: "radio", name: "room-choice", value: n, checked: picked() === n });
      box.addEventListener("change", () => { keep({ chosen: about(q, n) }); submit.disabled = false; });
      form.append(make("label", { class: "pick" }, box, make("b", { text: LETTERS[n] }), make("span", { text: whole(choice) })));
    });
    const submit = make("button", { type: "submit", class: "main-button", text: "Send my answer", disabled: picked() === null });
    form.append(make("p", { class: "line" }, submit, make("span", { class: "soft", text: "It counts once." })));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (picked() === null) return;
      keep({ sent: me.chosen });
      send({ kind: "answer", question: q.id, asking: q.round, choice: me.chosen.choice });
    });
    return [...parts, form];
  };
  const cardOfScreen = (q) => [
    make("header", {}, make("h2", { text: `Question${again(q)}` }), make("span", { class: "tally", text: q.phase === "open" && room.tally ? `${room.tally.answered} of ${room.tally.seats} answered` : "" })),
    make("p", { class: "question-text", text: whole(q.text) }), bars(q), verdict(q), q.phase === "closed" ? make("p", { class: "soft", text: "Closed." }) : null, shiftText(q.shift)];
  const cardOfPresenter = () => {
    const q = room.desk?.question;
    if (!q) return null;
    const seats = room.tally?.seats ?? 0;
    const acts = [];
    if (q.phase === "open") acts.push(button("Close", () => send({ kind: "close" }), { class: "main-button" }));
    if (q.phase !== "revealed") acts.push(button("Show the answer", () => send({ kind: "reveal" }), { class: q.phase === "closed" ? "main-button" : "" }));
    if (q.phase !== "open") acts.push(button("Ask again", () => send({ kind: "again" })));
    if (q.after) acts.push(button("Make the change", () => go(q.after), { title: "Bring the change into the scene, for everybody" }));
    acts.push(button("Put away", () => send({ kind: "done" })));
    const hidden = q.counts.length < q.round;
    const head = make("header", {}, make("h2", { text: `Question ${q.id}${again(q)}` }), make("span", { class: "tally", role: "status", text: `${q.answered} of ${seats} answered` }),
      SHOWN ? button(folded ? "Show" : "Fold", () => { folded = !folded; changed("card"); }, { "aria-expanded": String(!folded) }) : null);
    if (folded && SHOWN) return [head];
    return [head, make("p", { class: "question-text", text: whole(q.text) }), bars(q), hidden ? make("p", { class: "soft", text: "Counts are hidden until you close the question." }) : null,
      verdict(q), shiftText(q.shift), make("div", { class: "tools" }, ...acts)];
  };
  const paintCard = () => {
    const q = room.question;
    const parts = (me.role === "presenter" ? (driving() ? cardOfPresenter() : null) : !q || !room.open ? null
      : me.role === "screen" ? cardOfScreen(q) : cardOfLearner(q))?.filter((p) => p);
    const host = document.getElementById("desk-question");
    const place = host && me.role === "presenter" ? host : card;
    if (!parts) { card.hidden = true; host?.replaceChildren(); cardDrawn = ""; return; }
    const text = parts.map((p) => p.outerHTML).join("") + me.role;
    if (text !== cardDrawn) {
      cardDrawn = text;
      const focused = [...place.querySelectorAll("button, input")].indexOf(document.activeElement);
      place.replaceChildren(...parts);
      if (focused >= 0) place.querySelectorAll("button, input")[focused]?.focus();
    }
    card.hidden = place !== card;
  };

  // ---- a question made on the spot from the scene that is shown

  let askForm = null;
  const ask = async (question) => {
    const open = room.desk?.question;
    if (open?.phase === "open") {
      const answer = await choose(`Question ${open.id} is still open: ${open.answered} of ${room.tally?.seats ?? 0} answered. Its results are kept if the new one takes its place.`,
        [["instead", "Put the new one"], ["", `Keep question ${open.id} open`]]);
      if (!answer) return;
      question.instead = open.id;
    }
    send({ kind: "ask", ...question });
  };
  const openAsk = () => {
    if (askForm) { askForm.close(); return; }
    if (here === "lesson") {
      const now = new URLSearchParams(location.search), seed = new URLSearchParams(window.forktailScene?.inner || "").get("seed");
      ask({ lesson: now.get("id"), step: now.get("step") || "", seed, hide: true });
      return;
    }
    const { path, query } = myScene(); // the form opens once the server has said what can be asked
    send({ kind: "askable", path, query });
  };
  const openForm = ({ outputs, quantities }) => {
    askForm?.close();
    const output = make("select", { "aria-label": "What is asked about" }, ...options(outputs));
    const name = make("select", { "aria-label": "What changes" }, ...options(quantities.map(([k, t, now]) => [k, `${t} (now ${now})`])));
    const value = make("input", { type: "text", size: 9, "aria-label": "New value with unit", autocomplete: "off", maxlength: 60 });
    const hide = make("input", { type: "checkbox", checked: true });
    const error = make("p", { class: "said", role: "alert", hidden: true });
    const close = () => { box.remove(); askForm = null; };
    const hint = () => { value.placeholder = quantities.find(([k]) => k === name.value)?.[2] || ""; };
    const box = make("form", { class: "room-ask", "aria-label": "Ask about this scene" },
      make("h2", { text: "Ask about this scene" }),
      make("p", { class: "line" }, "What happens to ", output), make("p", { class: "line" }, "if ", name, " becomes ", value, " ?"),
      make("label", { class: "flag" }, hide, make("span", { text: "Hide counts until it is closed" })), error,
      make("p", { class: "line" }, make("button", { type: "submit", class: "main-button", text: "Put to the class" }), button("Cancel", close)));
    name.addEventListener("change", hint);
    box.addEventListener("submit", (event) => {
      event.preventDefault(); error.hidden = true;
      const { path, query } = myScene();
      ask({ path, query, output: output.value, name: name.value, text: value.value, hide: hide.checked });
    });
    box.addEventListener("keydown", (event) => { if (event.key === "Escape") close(); });
    askForm = { close, fail(text) { error.textContent = text; error.hidden = false; value.focus(); } };
    hint();
    document.body.append(box);
    value.focus();
  };

  // ---- start

  const end = () => { ending = true; endsNext = false; keep({ code: "" }); tab.write("forktail-room-kept", null); send({ kind: "end" }); };
  window.forktailRoom = {
    room, send, go, base, keep, listen: (f) => { listeners.add(f); },
    get me() { return me; }, driving, changed,
    open(code) { ending = false; keep({ code }); connect(); send({ kind: "open", code, snapshot: tab.read("forktail-room-kept") }); },
    join(role) { keep({ role, follows: true, ...(role === "screen" ? { large: true } : {}) }); connect(); if (room.connected) hello(); },
    leave, ask, choose, end,
    saveAndEnd() { endsNext = true; send({ kind: "results" }); },
  };
  const start = () => {
    document.body.append(bar, card, dot);
    large();
    connect();
    addEventListener("online", connect);
    document.addEventListener("visibilitychange", () => { if (!document.hidden) connect(); });
    changed("start");
  };
  if (document.body) start(); else document.addEventListener("DOMContentLoaded", start);
})();
