"""Drives the Steer page as its user does, and compares all that it shows with the core."""

import re
import time
from urllib.parse import urlsplit

import numpy as np

from forktail.pages.steer import schematic
from forktail.pages.steer import words as readouts
from forktail.pages.steer.state import SteerState
from forktail.ui.output_map import AXIS_LABELS
from forktail.ui.plots import axis_unit
from forktail.ui.state import Quantity

SPECS = {n: p for n, p in SteerState.param.objects().items() if isinstance(p, Quantity)}

#: Everything the page shows, in one look; shadow roots are searched too.
_LOOK = """() => {
  const all = (selector) => {
    const found = [], walk = (scope) => {
      for (const node of scope.querySelectorAll("*")) {
        if (node.matches(selector)) found.push(node);
        if (node.shadowRoot) walk(node.shadowRoot);
      }
    };
    walk(document);
    return found;
  };
  const out = {texts: {}, widths: {}, entries: {}, sliders: {}, plots: {}};
  for (const node of all("svg.schematic [data-id]")) {
    const id = node.dataset.id;
    if (node.tagName === "text") out.texts[id] = node.textContent;
    else if (id.startsWith("ribbon")) out.widths[id] = node.getAttribute("stroke-width");
  }
  out.sentence = all("[data-id=sentence]")[0]?.textContent;
  out.why = all("[data-id=why]")[0]?.textContent;
  out.limits = all(".limits li").filter((n) => !n.hidden).map((n) => n.textContent);
  out.table = all(".numbers tr").map((r) => [...r.children].map((c) => c.textContent));
  for (const node of all("input.entry")) out.entries[node.dataset.name] = node.value;
  for (const node of all("input[type=range]")) {
    out.sliders[node.dataset.name] = [+node.value, node.getAttribute("aria-valuetext")];
  }
  out.stage = all("[role=radio][aria-checked=true]")[0]?.dataset.value;
  out.notice = all(".notice").filter((n) => !n.hidden).map((n) => n.textContent).join("");
  const stack = [...(window.Bokeh ? Bokeh.index.roots : [])];
  while (stack.length) {
    const view = stack.pop(), model = view.model;
    stack.push(...(view.child_views || []));
    if (model.type !== "Figure" || !view.frame) continue;
    const box = view.canvas.el.getBoundingClientRect();
    const plot = {x: [model.x_range.start, model.x_range.end],
      y: [model.y_range.start, model.y_range.end], box: [box.x, box.y, box.width, box.height],
      ink: model.below[0].axis_label_text_color};
    for (const r of model.renderers) {
      const data = r.data_source.data;
      if (r.glyph.type === "Scatter") {
        plot.point = [data.x[0], data.y[0]];
        plot.at = [box.x + view.frame.x_scale.compute(data.x[0]),
                   box.y + view.frame.y_scale.compute(data.y[0])];
      }
      if (r.glyph.type === "Line") plot.curve = [[...data.x], [...data.y]];
      if (r.glyph.type === "Image") {
        const palette = r.glyph.color_mapper.palette;
        plot.palette = [palette[0], palette[palette.length - 1]];
        plot.high = r.glyph.color_mapper.high;
      }
    }
    out.plots[model.name] = plot;
  }
  return out;
}"""


def plain(text):
    """Text without the spaces that only keep a number and its unit on one line."""
    return re.sub(r"\s+", " ", (text or "").replace("\u00a0", " ")).strip()


class Steer:
    """The Steer page."""

    def __init__(self, page):
        self.page = page
        page.locator(".sentence").filter(has_text="output").wait_for()
        page.locator(".controls .tools").wait_for()

    def look(self):
        """What the page shows now."""
        return self.page.evaluate(_LOOK)

    def slider(self, name):
        """The slider of a quantity."""
        return self.page.locator(f"#q-{name}")

    def entry(self, name):
        """The typed entry of a quantity."""
        return self.page.locator(f"#q-{name}-entry")

    def type(self, name, text):
        """Type an entry and press Enter."""
        self.entry(name).fill(text)
        self.entry(name).press("Enter")

    def stage(self, key):
        """Click a stage."""
        self.page.locator(f"[role=radio][data-value={key}]").click()

    def drag_slider(self, name, start, end, moves=12):
        """Drag with real mouse moves, ends given as fractions of the track; stays pressed."""
        box = self.slider(name).bounding_box()
        y = box["y"] + box["height"] / 2
        mouse = self.page.mouse
        mouse.move(box["x"] + start * box["width"], y)
        mouse.down()
        for k in range(1, moves + 1):
            mouse.move(box["x"] + (start + (end - start) * k / moves) * box["width"], y)

    def drag_map(self, dx, dy, moves=12):
        """Drag the point of the map by pixels; returns where it was let go, in axis units."""
        plot = self.look()["plots"]["map"]
        x, y = plot["at"]
        mouse = self.page.mouse
        mouse.move(x, y)
        mouse.down()
        for k in range(1, moves + 1):
            mouse.move(x + dx * k / moves, y + dy * k / moves)
        mouse.up()

    def url_state(self):
        """The scene that the address bar names; None while it names what cannot be read."""
        state = SteerState()
        return None if state.apply_query(urlsplit(self.page.url).query) else state

    def until(self, condition, what="the condition"):
        """Wait until the link names a state that fulfils the condition, and the page shows it.

        Everything shown is compared with the core: see `differences`.
        """
        end = time.monotonic() + 20
        while True:
            state = self.url_state()
            if state is None:
                wrong = [f"the address still is {self.page.url}"]
            elif condition(state):
                wrong = differences(self.look(), state)
                if not wrong:
                    return state
            else:
                wrong = [f"{what} is not met by {state.query()!r}"]
            assert time.monotonic() < end, "\n".join(wrong)
            self.page.wait_for_timeout(40)

    def shows(self, **numbers):
        """Wait until the page shows the scene that differs from the default by `numbers`."""
        wanted = SteerState(**numbers).query()
        return self.until(lambda state: state.query() == wanted, wanted)


def differences(look, state):
    """Sentences on what the page shows otherwise than the core says for `state`."""
    scene, out = state.scene(), []

    def same(what, shown, expected):
        if shown != expected:
            out.append(f"{what}: shown {shown!r}, expected {expected!r}")

    same("stage", look["stage"], state.stage)
    same("sentence", plain(look["sentence"]), plain(readouts.sentence(scene)))
    same("why", plain(look["why"]), plain(readouts.why(scene)))
    same(
        "table",
        [[plain(c) for c in row] for row in look["table"]],
        [[plain(name), plain(value)] for name, value in readouts.table(scene)],
    )
    drawn = schematic.values(scene)
    del drawn["flip-text"]  # it says what has just happened, not what is
    for name, attributes in drawn.items():
        if name.startswith("ribbon"):
            same(name, look["widths"].get(name), attributes["stroke-width"])
        elif "#" in attributes and name in look["texts"]:
            same(name, look["texts"][name], attributes["#"])
    for k in range(len(scene.point.i_upper) if state.stage != "pair" else 2):
        same(f"text i{k + 1} exists", f"i{k + 1}" in look["texts"], True)
    main, common, parts = state.controls()
    same("controls", sorted(look["entries"]), sorted({*main, *common, *parts}))
    for name in look["entries"]:
        spec, value = SPECS[name], getattr(state, name)
        same(f"entry {name}", plain(look["entries"][name]), plain(spec.show(value)))
        same(f"slider {name}", look["sliders"][name], [spec.position(value), spec.show(value)])
    out += _plot_differences(look["plots"], state, scene)
    return out


def _plot_differences(plots, state, scene):
    out = []

    def near(what, shown, expected, scale):
        shown, expected = np.asarray(shown, float), np.asarray(expected, float)
        if shown.shape != expected.shape or np.max(np.abs(shown - expected)) > 2e-6 * scale:
            out.append(f"{what}: shown {shown!r}, expected {expected!r}")

    if set(plots) != {"map", "across", "up"}:
        return [f"plots shown: {sorted(plots)}"]
    axes = state.map_axes()
    factors = [axis_unit(*state.map_range(a), AXIS_LABELS[a][1])[0] for a in axes]
    for which, axis, factor, shown, ends in zip(
        "xy", axes, factors, plots["map"]["point"], (plots["map"]["x"], plots["map"]["y"])
    ):
        low, high = state.map_range(axis)
        near(f"map {which}", shown, state.map_value(axis) * factor, high * factor)
        near(f"map {which} range", ends, [low * factor, high * factor], high * factor)
    v_out = float(scene.point.v_out)
    curves = [(axis, x, y, state.map_value(axis), v_out) for axis, x, y in state.sections()]
    if state.stage == "pair":
        tail, gain = state.gain_against_tail()
        curves[1] = ("i_tail", tail, gain, state.i_tail, float(scene.point.gain_upper))
    for name, (axis, x, y, at, value) in zip(("across", "up"), curves):
        plot = plots[name]
        fx = axis_unit(x[0], x[-1], AXIS_LABELS[axis][1])[0]
        gain = name == "up" and state.stage == "pair"
        full = 1.05 * max(state.map_scale(), 1e-6)
        fy = 1.0 if gain else axis_unit(-full, full, "V")[0]
        near(f"{name} curve x", plot["curve"][0], x * fx, abs(x[-1] * fx))
        near(f"{name} curve y", plot["curve"][1], y * fy, abs(plot["y"][1]))
        near(
            f"{name} point",
            plot["point"],
            [at * fx, value * fy],
            max(abs(x[-1] * fx), abs(plot["y"][1])),
        )
    return out
