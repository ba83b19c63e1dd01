"""A lesson in the class room: one presenter and three learners, each in a browser of its own."""

import re
from contextlib import contextmanager

import pytest

from conftest import BEEN, PATIENCE, READY, Server, Watch

CODE = "bats-at-dusk"


class Lesson:
    """A server of its own, and windows that are watched."""

    def __init__(self, browser, folder):
        self.browser, self.folder, self.windows, self.watches = browser, folder, [], []
        self.server = Server(folder / "room.txt", "--room-code", CODE)
        self.url = self.server.url

    def window(self, path="", width=1280, height=800, ready=True):
        context = self.browser.new_context(
            viewport={"width": width, "height": height}, accept_downloads=True
        )
        context.set_default_timeout(PATIENCE)
        context.add_init_script(BEEN)
        page = context.new_page()
        self.windows.append(context)
        self.watches.append(Watch(page, self.url))
        page.goto(self.url + path)
        if ready:
            page.wait_for_function(READY)
        return page

    def presenter(self):
        page = self.window("class")
        page.fill("#desk-code", CODE)
        page.press("#desk-code", "Enter")
        page.wait_for_selector("#desk-qr svg")
        return page

    def restart(self, code=CODE):
        """The server is killed and comes back on the same port, with nothing remembered."""
        port = re.search(r":(\d+)/", self.url)[1]
        self.server.process.kill()
        self.server.process.wait()
        self.server = Server(self.folder / "again.txt", "--room-code", code, "--port", port)

    def problems(self):
        found = [p for watch in self.watches for p in watch.problems]
        return found + ([self.server.log()] if "Traceback" in self.server.log() else [])

    @contextmanager
    def outage(self):
        """Complaints about the server that is away do not count."""
        before = [len(w.problems) for w in self.watches]
        yield
        for watch, n in zip(self.watches, before):
            watch.problems[n:] = [
                p
                for p in watch.problems[n:]
                if not re.search(
                    "CONNECTION_REFUSED|WebSocket|Lost websocket|ERR_CONNECTION|ERR_EMPTY", p
                )
            ]

    def end(self):
        for context in self.windows:
            context.close()
        self.server.stop()


@pytest.fixture
def lesson(browser, tmp_path):
    made = Lesson(browser, tmp_path)
    yield made
    made.end()


def follows(page, query):
    """Wait until a page shows a scene, which its link says once it rests."""
    page.wait_for_function("q => location.search === q", arg=f"?{query}" if query else "")


def answer(page, n):
    page.locator(".pick").nth(n).click()
    page.get_by_role("button", name="Send my answer").click()
    page.get_by_text("Your answer is in").wait_for()


def bar(page, text):
    page.locator(".room-bar").get_by_text(text).first.wait_for()


def test_a_whole_round_with_restart(lesson):
    teacher = lesson.presenter()
    learners = [
        lesson.window("join", *size, ready=False) for size in ((390, 844), (1280, 800), (820, 1180))
    ]
    for page in learners:
        page.get_by_text("You are in.").wait_for()
    one, two, three = learners

    # the presenter steps with a clicker; learners follow, live and over a change of page
    teacher.select_option("#desk-sets", label="Steer: presets of the full cell (8)")
    teacher.click("#desk-use")
    teacher.get_by_role("button", name="Small signal, same signs", exact=True).wait_for()
    teacher.keyboard.press("PageDown")
    teacher.wait_for_function(READY)
    for page in learners:
        page.wait_for_function(READY)
    teacher.keyboard.press("PageDown")
    for page in (teacher, *learners):
        follows(page, "v_upper=10mV&v_lower=10mV")
    bar(teacher, "3 following")

    # held screens stay; letting go catches up
    teacher.get_by_role("button", name="Hold screens").click()
    bar(one, "holds the screen")
    teacher.keyboard.press("PageDown")
    follows(teacher, "v_upper=10mV&v_lower=-10mV")
    assert one.evaluate("location.search") == "?v_upper=10mV&v_lower=10mV"
    teacher.get_by_role("button", name="Hold screens").click()
    follows(one, "v_upper=10mV&v_lower=-10mV")

    # values are covered everywhere, and shown again
    output = two.locator("svg.schematic [data-id=v_out]")
    teacher.get_by_role("button", name="Hide values").click()
    output.wait_for(state="hidden")
    teacher.get_by_role("button", name="Hide values").click()
    output.wait_for(state="visible")

    # the pointer lands on the same part of the drawing on a screen of another size
    teacher.get_by_role("button", name="Pointer").click()
    box = teacher.locator("svg.schematic text", has_text="Q5").bounding_box()
    teacher.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2, steps=3)
    one.locator(".room-pointer").wait_for(state="attached")
    one.wait_for_function("() => !document.querySelector('.room-pointer').hidden")
    one.wait_for_timeout(200)
    spot = one.evaluate("""() => { const m = new DOMMatrix(getComputedStyle(
        document.querySelector('.room-pointer')).transform); return [m.e, m.f]; }""")
    box = one.locator("svg.schematic text", has_text="Q5").bounding_box()
    assert abs(spot[0] - box["x"] - box["width"] / 2) < 12
    assert abs(spot[1] - box["y"] - box["height"] / 2) < 12
    teacher.get_by_role("button", name="Pointer").click()

    # whoever moves a control explores, and one press brings the present scene back
    three.get_by_role("slider", name="Tail current").press("ArrowRight")
    bar(three, "Exploring on your own")
    bar(teacher, "2 following, 1 exploring")
    assert "i_tail" not in teacher.evaluate("location.search")
    three.get_by_role("button", name="Follow again").click()
    follows(three, "v_upper=10mV&v_lower=-10mV")

    # a question about the live scene; its right answer is computed
    teacher.get_by_role("button", name="Ask").click()
    teacher.get_by_label("What changes").select_option("v_lower")
    teacher.get_by_label("New value with unit").fill("ten")
    teacher.get_by_role("button", name="Put to the class").click()
    teacher.locator(".room-ask .said").get_by_text("ten").wait_for()
    teacher.get_by_label("New value with unit").fill("10mV")
    teacher.get_by_role("button", name="Put to the class").click()
    answer(one, 3)
    answer(two, 0)
    teacher.get_by_text("2 of 3 answered").wait_for()
    assert teacher.locator(".room-bars .count").count() == 0, "counts are hidden until closed"
    assert one.locator(".room-bars, .pick").count() == 0, "no second answer, no counts"

    # the server goes down and comes back with nothing: the presenter's browser restores the room
    teacher.wait_for_function(
        "() => Object.keys(JSON.parse(sessionStorage.getItem("
        "'forktail-room-kept')).question.rounds[0]).length === 2"
    )
    three.locator(".pick").nth(0).click()  # chosen, and not sent
    with lesson.outage():
        lesson.restart()
        bar(teacher, "3 following")
        teacher.get_by_text("2 of 3 answered").wait_for()
        one.get_by_text("Your answer is in").wait_for()
        for page in (teacher, *learners):
            page.wait_for_function(READY)
    three.reload()
    three.wait_for_function(READY)
    three.get_by_role("button", name="Send my answer").wait_for()
    assert three.locator(".pick input").nth(0).is_checked(), "a choice outlives a reload"
    answer(three, 0)
    teacher.get_by_text("3 of 3 answered").wait_for()

    # closed, asked again after discussion, shown with the shift
    teacher.locator(".room-card").get_by_role("button", name="Close").click()
    one.get_by_text("The question is closed").wait_for()
    teacher.get_by_role("button", name="Ask again").click()
    for page in learners:
        page.get_by_text("asked again").wait_for()
        answer(page, 3)
    teacher.get_by_text("3 of 3 answered").wait_for()
    teacher.get_by_role("button", name="Show the answer").click()
    one.locator(".is-right", has_text="It changes sign").wait_for()
    one.get_by_text("1 were right before and 3 now: 2 came to the right answer").wait_for()
    teacher.get_by_role("button", name="Make the change").click()
    for page in (teacher, *learners):
        follows(page, "v_upper=10mV&v_lower=10mV")

    # results hold counts and nobody
    teacher.get_by_role("link", name="Desk").click()
    teacher.wait_for_selector("#desk-results:enabled")
    with teacher.expect_download() as saved:
        teacher.click("#desk-results")
    text = saved.value.path().read_text(encoding="utf-8")
    assert ",2,A,D,It changes sign,yes,2" in text and ",2,D,D,It changes sign,yes,1" in text
    assert len(text.splitlines()) == 1 + 4 + 6

    # a learner has no way to drive, whatever the browser is told to send
    said = two.evaluate("""() => new Promise((done) => {
        forktailRoom.listen((kind, m) => { if (kind === 'said') done(m.text); });
        forktailRoom.send({kind: 'show', scene: {path: 'signals', query: ''}}); })""")
    assert "Only the presenter" in said
    assert lesson.problems() == []


def test_wrong_code_takeover_and_markup_in_a_message(lesson):
    first = lesson.window("class")
    first.fill("#desk-code", "<b>guess</b>")
    first.press("#desk-code", "Enter")
    first.get_by_text("That is not the code of this room. 4 more tries.").wait_for()
    first.fill("#desk-code", CODE)
    first.press("#desk-code", "Enter")
    first.wait_for_selector("#desk-qr svg")
    second = lesson.presenter()
    bar(first, "Another presenter drives now")
    first.get_by_role("button", name="Take over").click()
    bar(first, "0 following")
    bar(second, "Another presenter drives now")

    # what a presenter puts in a title is text on every screen
    first.evaluate("""() => forktailRoom.send({kind: 'prepare', scenes: [
        {title: '<img src=x onerror=alert(1)>', path: '', query: ''}]})""")
    first.get_by_role("button", name="<img src=x onerror=alert(1)>", exact=True).wait_for()
    assert first.locator("#desk-list img").count() == 0
    assert lesson.problems() == []


#: Box of an element, also inside the shadow root of a component.
BOX = """(selector) => {
    const box = forktailDom.deep(selector).getBoundingClientRect();
    return [box.left, box.top, box.width, box.height]; }"""
#: Where the pointer of the presenter is on a screen.
POINTER = """() => {
    const at = new DOMMatrix(getComputedStyle(document.querySelector('.room-pointer')).transform);
    return [at.e, at.f]; }"""


def test_pointer_is_at_the_same_place_of_every_part_on_a_screen_of_another_size(lesson):
    teacher = lesson.presenter()
    learner = lesson.window("join", 1920, 1080, ready=False)
    teacher.goto(lesson.url)
    for page in (teacher, learner):
        page.wait_for_function(READY)
    teacher.get_by_role("button", name="Pointer").click()
    for part, share in (
        ("#plot-map .canvas", (0.3, 0.6)),  # a plot
        ("#q-v_upper", (0.5, 0.5)),  # a slider
        ("p.sentence", (0.1, 0.5)),
    ):
        x, y, width, height = teacher.evaluate(BOX, part)
        teacher.mouse.move(x + share[0] * width, y + share[1] * height, steps=3)
        x, y, width, height = learner.evaluate(BOX, part)
        learner.wait_for_function(
            f"""([x, y]) => {{ const [px, py] = ({POINTER})();
            return !document.querySelector('.room-pointer').hidden
                && Math.abs(px - x) < 4 && Math.abs(py - y) < 4; }}""",
            arg=[x + share[0] * width, y + share[1] * height],
        )
    assert lesson.problems() == []


def test_one_question_one_form_one_vote_a_browser_and_nothing_to_read_off(lesson):
    teacher = lesson.presenter()
    learner = lesson.window("join", 390, 844, ready=False)
    teacher.goto(lesson.url + "lesson?id=one-pair&step=higher-base")
    for page in (teacher, learner):
        page.wait_for_function(READY)
        page.locator("form.ask").wait_for()
    teacher.get_by_role("button", name="Ask").click()
    for page in (teacher, learner):
        page.locator(".room-card").wait_for()
        page.locator("form.ask").wait_for(state="hidden")
    assert learner.get_by_text("Your answer goes on the card").is_visible()
    # the drawing is that of the question, whose figures are drawn anew for each learner
    current = "forktailDom.deep('svg.schematic [data-id=i1]').textContent"
    drawn = teacher.evaluate(current)
    learner.wait_for_function(f"drawn => {current} === drawn", arg=drawn)
    assert f"Each side carries {drawn}" in learner.evaluate(
        "document.querySelector('.question-text').textContent.replaceAll('\\u00a0', ' ')"
    )
    answer(learner, 0)
    teacher.get_by_text("1 of 1 answered").wait_for()

    # who leaves and comes back is the same seat
    learner.get_by_role("button", name="Leave").click()
    learner.wait_for_url(lesson.url)
    learner.goto(lesson.url + "join")
    learner.get_by_text("Your answer is in").wait_for()
    bar(teacher, "1 following")
    assert "1 of 1 answered" in teacher.locator(".room-card").inner_text()
    teacher.get_by_role("button", name="Show the answer").click()
    for page in (teacher, learner):
        page.locator("form.ask").wait_for()

    # hidden values cannot be read off a plot or a figure, by those who explore neither
    teacher.get_by_role("button", name="Put away").click()
    teacher.goto(lesson.url + "uses?use=am")
    teacher.wait_for_function(READY)
    learner.wait_for_url(re.compile("uses"))
    learner.wait_for_function(READY)
    learner.get_by_role("slider", name="Carrier amplitude").press("ArrowRight")
    bar(learner, "Exploring on your own")
    teacher.get_by_role("button", name="Hide values").click()
    learner.locator("#plot-time canvas").first.wait_for(state="hidden")
    shown = learner.evaluate("""() => {
        const seen = [];
        const walk = (scope) => scope.querySelectorAll('*').forEach((node) => {
            if (node.shadowRoot) walk(node.shadowRoot);
            const texts = [...node.childNodes].filter((n) => n.nodeType === 3);
            const own = texts.map((n) => n.data).join('');
            const inside = node.closest('.markup');
            if (inside && own.match(/\\d/) && node.checkVisibility({ visibilityProperty: true }))
                seen.push(own.trim());
        });
        walk(document.getElementById('main'));
        return seen.filter((text) => !text.match(/^100\\s%$/) && !text.includes('reaches')); }""")
    assert shown == [], "figures that can be read off"
    assert lesson.problems() == []


def test_nothing_of_the_presenters_is_replaced_or_ended_without_a_question(lesson):
    teacher = lesson.presenter()
    learner = lesson.window("join", ready=False)
    learner.get_by_text("You are in.").wait_for()
    teacher.goto(lesson.url + "build")  # Build can be asked about, too
    for page in (teacher, learner):
        page.wait_for_function(READY)
    teacher.get_by_role("button", name="Ask").click()
    teacher.get_by_label("What changes").select_option("v_lower")
    teacher.get_by_label("New value with unit").fill("-10mV")
    teacher.get_by_role("button", name="Put to the class").click()
    answer(learner, 3)

    # a list of one's own
    teacher.get_by_role("link", name="Desk").click()
    teacher.wait_for_selector("#desk-qr svg")
    teacher.click("#desk-add")
    own = teacher.get_by_role("button", name="Build, own scene 1", exact=True)
    own.wait_for()
    teacher.select_option("#desk-sets", label="Steer: the four stages (4)")
    teacher.click("#desk-use")
    teacher.get_by_role("button", name="Keep my list").click()
    teacher.click("#desk-use")
    teacher.get_by_role("button", name="Add it below").click()
    teacher.get_by_role("button", name="4 The full cell", exact=True).wait_for()
    assert own.is_visible()

    # an open question
    teacher.click("#desk-put")
    teacher.get_by_role("button", name="Keep question 1 open").click()
    assert "1 of 1 answered" in teacher.locator("#desk-question").inner_text()
    teacher.click("#desk-put")
    teacher.get_by_role("button", name="Put the new one").click()
    teacher.wait_for_url(re.compile("build|steer|signals|uses|/$|v_upper|stage"))
    learner.get_by_text("Send my answer").wait_for()

    # results
    teacher.goto(lesson.url + "class")
    teacher.wait_for_selector("#desk-results:enabled")
    teacher.click("#desk-end")
    teacher.get_by_role("button", name="Keep the room open").click()
    teacher.click("#desk-end")
    with teacher.expect_download() as saved:
        teacher.get_by_role("button", name="Save the results and end").click()
    assert ",It changes sign,yes,1" in saved.value.path().read_text(encoding="utf-8")
    bar(learner, "The room is not open")
    assert lesson.problems() == []


def test_a_new_code_is_asked_for_on_every_page_and_may_be_typed_loosely(lesson):
    teacher = lesson.presenter()
    teacher.goto(lesson.url + "?v_upper=5mV")
    teacher.wait_for_function(READY)
    bar(teacher, "0 following")
    with lesson.outage():
        lesson.restart("dusk-4711")
        bar(teacher, "Enter the code")
        teacher.wait_for_function(READY)
    teacher.reload()
    teacher.wait_for_function(READY)
    bar(teacher, "The server has a new code")
    teacher.get_by_role("link", name="Enter the code").click()
    teacher.fill("#desk-code", "DUSK 4711")
    teacher.press("#desk-code", "Enter")
    teacher.wait_for_selector("#desk-qr svg")
    bar(teacher, "recovered")
    teacher.locator(".room-said").wait_for(state="detached")  # it does not stay over the page
    assert lesson.problems() == []
