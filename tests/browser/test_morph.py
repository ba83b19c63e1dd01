"""A change of stage: the ribbons flow to the next drawing, and stay still for who asks so."""

from playwright.sync_api import expect
from steer_driver import Steer

#: Notes, frame by frame until the flow is over, the width of each ribbon that is on its way.
_WATCH = """() => {
  const deep = (scope, wanted) => { for (const n of scope.querySelectorAll("*")) {
    if (n.matches(wanted)) return n;
    const inner = n.shadowRoot && deep(n.shadowRoot, wanted);
    if (inner) return inner;
  } return null; };
  window.flow = [];
  window.flowed = false;
  const look = () => {
    const group = deep(document, "g.morph");
    if (group) window.flow.push([...group.children].map((n) => +n.getAttribute("stroke-width")));
    if (!group && window.flow.length) window.flowed = true; else requestAnimationFrame(look);
  };
  look();
}"""


def test_ribbons_flow_to_the_next_stage_and_follow_the_scene_meanwhile(open_page):
    steer = Steer(open_page("?stage=pair&v_upper=20mV"))
    pair = steer.look()["widths"]
    steer.page.evaluate(_WATCH)
    steer.stage("cell")
    steer.page.wait_for_function("() => window.flowed")
    state = steer.until(lambda s: s.stage == "cell", "cell")
    cell = steer.look()["widths"]
    flow = steer.page.evaluate("window.flow")
    assert len(flow[0]) == 4  # how many frames there are is the machine's business
    # drawn in the order 2, 4, 1, 3: the first two ribbons begin as wide as they were, and the
    # others, which leave them, with nothing
    wide = [float(pair["ribbon2"]), 0.0, float(pair["ribbon1"]), 0.0]
    ends = [float(cell[f"ribbon{k}"]) for k in (2, 4, 1, 3)]
    for frame in flow:
        assert all(min(a, b) - 0.1 <= w <= max(a, b) + 0.1 for a, w, b in zip(wide, frame, ends))
    assert state.v_upper == 0.02
    expect(steer.page.locator("svg.morphing")).to_have_count(0)


def test_nothing_flows_where_less_motion_is_asked_for(open_page):
    steer = Steer(open_page("?stage=pair&v_upper=20mV", reduced_motion="reduce"))
    steer.page.evaluate(_WATCH)
    steer.stage("cell")
    steer.until(lambda s: s.stage == "cell", "cell")
    assert steer.page.evaluate("window.flow") == []
