// Lets a result be heard. Off until asked for; the samples come limited from the server, the
// volume starts low, and leaving or hiding the page stops the sound.
export function render({ model, el }) {
  const { make, options, hostOf } = window.forktailDom;
  const host = hostOf(el, "hearing");
  let context = null, gain = null, source = null, playing = false;

  const button = make("button", { type: "button", "aria-pressed": "false", text: "Listen", class: "listen-button" });
  const volume = make("input", { type: "range", min: 0, max: 100, step: 1, value: 25, "aria-label": "Volume" });
  const pick = make("select", { "aria-label": "What is heard" });
  const caution = make("p", { class: "listen-caution" });
  const status = make("p", { class: "listen-text", role: "status" });
  host.append(make("div", { class: "listen-row" }, button, pick, make("label", { class: "listen-volume" },
    make("span", { text: "Volume" }), volume)), caution, status);

  // squared, so that the lower half of the slider is of use
  const level = () => (volume.value / 100) ** 2;

  const silence = () => {
    if (!source) return;
    const old = source, now = context.currentTime;
    source = null;
    old.gate.gain.cancelScheduledValues(now);
    old.gate.gain.setTargetAtTime(0, now, 0.01);
    setTimeout(() => { try { old.node.stop(); } catch { /* it had ended */ } old.gate.disconnect(); }, 80);
  };
  const show = () => {
    button.textContent = playing ? "Stop" : "Listen";
    button.setAttribute("aria-pressed", String(playing));
  };
  const stop = () => {
    if (!playing) return;
    playing = false;
    silence(); show();
    status.textContent = "";
    model.send_msg({ kind: "off" });
  };

  const samples = (data) => {
    if (data instanceof ArrayBuffer) return new Float32Array(data);
    return new Float32Array(data.buffer.slice(data.byteOffset, data.byteOffset + data.byteLength));
  };

  const start = () => {
    const { sound } = model;
    if (!playing || !sound.rate) return;
    silence();
    const values = samples(sound.samples);
    status.textContent = sound.text;
    if (!values.length || sound.silent) return;
    const buffer = context.createBuffer(1, values.length, sound.rate);
    buffer.copyToChannel(values, 0);
    const node = context.createBufferSource(), gate = context.createGain();
    node.buffer = buffer; node.loop = true;
    gate.gain.setValueAtTime(0, context.currentTime);
    gate.gain.setTargetAtTime(1, context.currentTime, 0.03);
    node.connect(gate).connect(gain);
    node.start();
    source = { node, gate };
  };

  button.addEventListener("click", async () => {
    if (playing) { stop(); return; }
    context = context || new AudioContext();
    if (!gain) { gain = context.createGain(); gain.connect(context.destination); }
    gain.gain.value = level();
    await context.resume();
    playing = true; show();
    status.textContent = "Computing the sound \u2026";
    model.send_msg({ kind: "on" });
  });
  volume.addEventListener("input", () => { if (gain) gain.gain.setTargetAtTime(level(), context.currentTime, 0.02); });
  pick.addEventListener("change", () => {
    if (playing) status.textContent = "Computing the sound \u2026";
    model.send_msg({ kind: "pick", value: pick.value });
  });
  document.addEventListener("visibilitychange", () => { if (document.hidden) stop(); });
  window.addEventListener("pagehide", stop);

  const describe = () => {
    const { spec } = model;
    caution.textContent = spec.caution || "";
    const heard = spec.options || [];
    pick.hidden = heard.length < 2;
    pick.replaceChildren(...options(heard));
    pick.value = spec.chosen || "";
    const none = !heard.length;
    host.classList.toggle("nothing", none);
    button.disabled = none;
    if (none) { stop(); status.textContent = spec.reason || ""; }
    else if (!playing) status.textContent = "";
  };
  describe();
  model.on("spec", describe);
  model.on("sound", start);
  return () => { stop(); context?.close(); };
}
