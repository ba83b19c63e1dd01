// Takes a capture by drag-and-drop or choice and sends it in pieces, each answered before the next
// goes, so that no message is large and other sessions get their turn.
export function render({ model, el }) {
  const { make, button, patchOf } = window.forktailDom;
  const PIECE = 384 * 1024;
  let file = null, sent = 0, ticket = 0;

  const input = make("input", { type: "file", hidden: true, accept: ".csv,.txt,.tsv,.dat,.toml,text/csv,text/plain", "aria-label": "Capture file" });
  const status = make("p", { class: "drop-status", role: "status" });
  const bar = make("progress", { max: 1, value: 0, hidden: true, "aria-label": "Progress" });
  const cancel = button("Cancel", () => { file = null; ticket += 1; model.send_msg({ kind: "cancel" }); }, { hidden: true });
  const zone = make("div", { class: "drop" },
    make("p", { class: "drop-title", text: "Drop a capture here" }),
    make("p", { class: "soft", text: "CSV with time and up to four channels" }),
    make("div", { class: "drop-tools" },
      button("Choose a file", () => input.click()),
      button("Open the invented example", () => model.send_msg({ kind: "example" }))),
    input);
  const work = make("div", { class: "drop-work" }, bar, cancel);
  el.append(make("div", { class: "drop-box" }, zone, work, status));

  const tell = (text, bad = false) => { status.textContent = text; status.classList.toggle("bad", bad); };

  const base64 = (buffer) => new Promise((done) => {
    const reader = new FileReader();
    reader.onload = () => done(reader.result.slice(reader.result.indexOf(",") + 1));
    reader.readAsDataURL(new Blob([buffer]));
  });

  const next = async () => {
    if (!file) return;
    const mine = ticket;
    if (sent >= file.size) {
      file = null;
      model.send_msg({ kind: "end" });
      return;
    }
    const piece = file.slice(sent, sent + PIECE);
    let data;
    try { data = await base64(await piece.arrayBuffer()); } catch (error) {
      file = null;
      tell(`The browser could not read the file: ${error.message}`, true);
      model.send_msg({ kind: "cancel" });
      return;
    }
    if (mine !== ticket || !file) return;
    sent += piece.size;
    bar.hidden = cancel.hidden = false;
    bar.value = 0.3 * sent / file.size;
    model.send_msg({ kind: "piece", data, ticket });
  };

  const take = async (list) => {
    const [one, other] = list;
    if (!one) return;
    if (other) { tell("One file at a time, please: nothing was loaded.", true); return; }
    if (/\.toml$/i.test(one.name)) {
      if (one.size > 400000) tell(`${one.name} holds ${one.size} bytes; a circuit file has at most 400000.`, true);
      else model.send_msg({ kind: "circuit", name: one.name, text: await one.text() });
      return;
    }
    if (one.size > model.limit) {
      tell(`${one.name} is ${(one.size / 1048576).toFixed(0)} MiB; a capture has at most ${model.limit / 1048576} MiB. Export fewer rows, or fewer channels.`, true);
      return;
    }
    file = one; sent = 0; ticket += 1;
    tell(`Sending ${one.name}…`);
    model.send_msg({ kind: "begin", name: one.name, size: one.size, ticket });
  };

  input.addEventListener("change", () => { take(input.files); input.value = ""; });
  for (const kind of ["dragenter", "dragover"]) {
    zone.addEventListener(kind, (event) => { event.preventDefault(); zone.classList.add("over"); });
  }
  zone.addEventListener("dragleave", (event) => { if (!zone.contains(event.relatedTarget)) zone.classList.remove("over"); });
  zone.addEventListener("drop", (event) => {
    event.preventDefault(); zone.classList.remove("over");
    take(event.dataTransfer.files);
  });
  // a file dropped beside the zone must not replace the page
  const stray = (event) => { if ([...(event.dataTransfer?.types || [])].includes("Files")) event.preventDefault(); };
  const strayDrop = (event) => { if (event.defaultPrevented) return; stray(event); if (event.dataTransfer?.files.length) take(event.dataTransfer.files); };
  window.addEventListener("dragover", stray);
  window.addEventListener("drop", strayDrop);

  const patch = () => {
    const p = patchOf(model);
    if (p.ack !== undefined && p.ack === ticket) next();
    if (p.text !== undefined) tell(p.text, !!p.bad);
    if (p.share !== undefined) {
      bar.hidden = cancel.hidden = p.share === null;
      if (p.share !== null) bar.value = p.share;
    }
    if (p.stop) { file = null; }
  };
  model.on("wire", patch);
  patch();
  return () => {
    window.removeEventListener("dragover", stray);
    window.removeEventListener("drop", strayDrop);
  };
}
