"""The server goes away under use: the page says so, keeps what is set and typed, and comes back."""

import re

import pytest

from conftest import BEEN, PATIENCE, READY, Server, Watch

OUTAGE = re.compile(
    "CONNECTION_REFUSED|WebSocket|Lost websocket|ERR_CONNECTION|ERR_EMPTY|"
    "Failed to connect to Bokeh"
)


class Outage:
    """A server of its own that can be killed and brought back on the same port."""

    def __init__(self, browser, folder):
        self.folder = folder
        self.server = Server(folder / "first.txt")
        self.url = self.server.url
        self.context = browser.new_context(viewport={"width": 1280, "height": 800})
        self.context.set_default_timeout(PATIENCE)
        self.context.add_init_script(BEEN)
        self.page = self.context.new_page()
        self.watch = Watch(self.page, self.url)
        self.banner = self.page.locator("#forktail-lost")

    def open(self, path):
        self.page.goto(self.url + path)
        self.page.wait_for_function(READY)
        self.page.evaluate("window.firstLoad = true")

    def kill(self):
        self.server.process.kill()
        self.server.process.wait()
        self.banner.wait_for()

    def restart(self):
        """Bring the server back and wait until the page has loaded again."""
        port = re.search(r":(\d+)/", self.url)[1]
        self.server = Server(self.folder / "again.txt", "--port", port)
        self.page.wait_for_function(f"() => !window.firstLoad && ({READY})()")
        assert self.banner.is_hidden()

    def entry(self, name):
        return self.page.locator(f"#q-{name}-entry")

    def shows(self, name, text):
        """Wait until the entry of a quantity shows a text."""
        self.page.wait_for_function(
            "([id, text]) => { const find = (scope) => scope.getElementById?.(id) || [...scope."
            "querySelectorAll('*')].map((n) => n.shadowRoot && find(n.shadowRoot)).find(Boolean);"
            " const spaces = new RegExp('[\\\\u00a0\\\\u202f]', 'g');"
            " return find(document)?.value.replace(spaces, ' ') === text; }",
            arg=[f"q-{name}-entry", text],
        )

    def end(self):
        self.context.close()
        self.server.stop()

    def check(self):
        problems = [p for p in self.watch.problems if not OUTAGE.search(p)]
        assert not problems, problems
        assert "Traceback" not in self.server.log()


@pytest.fixture(scope="module")
def one_outage(browser, tmp_path_factory):
    running = Outage(browser, tmp_path_factory.mktemp("outage"))
    yield running
    running.end()


@pytest.fixture
def outage(one_outage):
    """One server and window for all tests here, as a start of the server takes seconds."""
    yield one_outage
    one_outage.check()


def test_scene_and_what_was_typed_outlive_the_server(outage):
    outage.open("?v_upper=12mV&stage=cell")
    outage.entry("v_lower").fill("-7mV")
    outage.entry("v_lower").press("Enter")
    outage.shows("v_lower", "\u22127.00 mV")
    outage.kill()
    said = outage.banner.inner_text()
    assert "connection to the server is lost" in said and "kept" in said
    # the button looks, and says what it finds
    outage.page.get_by_role("button", name="Look now").click()
    outage.banner.filter(has_text="does not answer yet").wait_for()
    # set while it was away, typed but not entered, and typed wrongly
    outage.entry("i_tail").fill("3mA")
    outage.entry("i_tail").press("Enter")
    outage.entry("r_load").fill("lots")
    outage.entry("r_load").press("Enter")
    outage.entry("v_upper").fill("33m")
    outage.restart()
    outage.shows("v_lower", "\u22127.00 mV")
    outage.shows("i_tail", "3.00 mA")
    assert outage.entry("v_upper").input_value() == "33m"
    assert outage.entry("v_upper").evaluate("n => n.getRootNode().activeElement === n")
    assert outage.entry("r_load").input_value() == "lots"
    outage.page.get_by_role("alert").filter(has_text="'lots' is not a value").wait_for()
    outage.entry("v_upper").press("End")
    outage.page.keyboard.type("V")
    outage.page.keyboard.press("Enter")
    outage.shows("v_upper", "33.0 mV")
    outage.page.wait_for_function(
        "() => location.search.includes('v_upper=33mV') && location.search.includes('i_tail=3mA')"
    )


def test_change_under_way_when_the_server_dies_is_made_good(outage):
    outage.open("")
    outage.server.process.send_signal(19)  # SIGSTOP: it is there but answers nothing
    outage.entry("v_upper").fill("44mV")
    outage.entry("v_upper").press("Enter")
    outage.page.locator("#q-v_lower").focus()
    for _ in range(3):
        outage.page.keyboard.press("ArrowRight")
    outage.kill()
    outage.restart()
    outage.shows("v_upper", "44.0 mV")
    outage.shows("v_lower", "23.0 mV")


def test_lesson_comes_back_at_its_step_with_its_scene_and_answer(outage):
    outage.open("lesson?id=one-pair")
    page = outage.page
    page.get_by_role("button", name="Next").or_(
        page.get_by_role("button", name="Skip for now")
    ).first.click()
    page.locator("fieldset input[type=radio]").nth(1).check()
    heading = page.locator("h2[data-focus=title]").inner_text()
    outage.kill()
    outage.restart()
    assert page.locator("h2[data-focus=title]").inner_text() == heading
    page.wait_for_selector("label:nth-of-type(2) > input[type=radio]:checked", state="attached")


def test_other_pages_come_back_at_their_address(outage):
    outage.open("signals?cursor=10us")
    address = outage.page.url
    outage.kill()
    outage.restart()
    assert outage.page.url == address
