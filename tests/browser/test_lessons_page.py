"""Every lesson walked in Chromium: once by answering right, once by answering wrong everywhere.

The right answers are computed here from the lesson files by the core, with the learner's own seed.
"""

import json
import re

import pytest

from forktail.lessons.handout import handout
from forktail.lessons.library import read_library
from forktail.lessons.run import Situation, draw_of, fill
from forktail.lessons.search import Search
from forktail.resources import lessons_dir
from forktail.ui.state import Quantity

LIBRARY = read_library(lessons_dir())
LESSONS = [e.lesson for e in LIBRARY.entries]
#: Walks need no motion, which has a test of its own, and a small window paints faster.
STILL = {"reduced_motion": "reduce"}
SMALL = {"width": 900, "height": 560, **STILL}


class Learner:
    """A lesson in the browser and the hand of its learner."""

    def __init__(self, page, lesson):
        self.page, self.lesson = page, lesson
        page.wait_for_selector(".lesson-text h2")
        self.seed = page.evaluate("forktailProgress.seed()")

    def find(self, selector, **more):
        return self.page.locator(f".lesson-text {selector}", **more)

    def button(self, name):
        return self.page.get_by_role("button", name=name, exact=True)

    def at(self, number):
        """Wait until step `number` stands there."""
        step = self.lesson.steps[number]
        self.page.wait_for_function(
            "(id) => new URLSearchParams(location.search).get('step') === id", arg=step.id
        )
        assert self.find("h2 span:last-child").inner_text() == step.title

    def go(self, number):
        self.find(f".steps li:nth-child({number + 1}) button").click()
        self.at(number)

    def next(self, number):
        self.find("[data-keep=next]").click()
        self.at(number)

    def situation(self, step):
        return Situation.of(step, draw_of(step, self.seed))

    def choose(self, index):
        self.find(".choice").nth(index).click()
        self.button("Check my prediction").click()

    def type(self, text):
        self.find(".answer").fill(text)
        self.find(".answer").press("Enter")

    def verdict(self, kind):
        self.page.wait_for_selector(f".lesson-text .verdict.{kind}")
        return self.find(".verdict").inner_text()

    def hint(self, tries):
        """Wait for the hint of wrong try number `tries` and return it."""
        self.page.wait_for_selector(f".lesson-text[data-tries='{tries}'] .verdict.wrong .hint")
        return self.find(".verdict .hint").inner_text()

    def keeps(self, results, kinds):
        """Wait until the browser keeps these results, by kind of step."""
        wanted = {s.id: results[kind] for s, kind in zip(self.lesson.steps, kinds)}
        self.page.wait_for_function(
            "([id, n]) => Object.keys(forktailProgress.lesson(id).steps).length === n",
            arg=[self.lesson.id, len(wanted)],
        )
        last = self.lesson.steps[max(n for n, k in enumerate(kinds) if k != "read")].id
        self.page.wait_for_function(
            "([id, step, r]) => forktailProgress.lesson(id).steps[step].result === r",
            arg=[self.lesson.id, last, wanted[last]],
        )
        assert kept_results(self.page, self.lesson) == wanted

    def explained(self, step):
        if step.explain:
            self.page.wait_for_selector(".lesson-text .explain")
        assert "{" not in self.page.locator(".lesson-text").inner_text()

    def answer_right(self, step):
        if step.predict and step.predict.choices:
            self.choose(self.situation(step).right_choices()[0])
        elif step.predict:
            self.type(exact(self.situation(step)))
        elif step.task:
            self.meet(step)
        self.verdict("right")
        self.explained(step)

    def meet(self, step):
        """Set the unlocked controls to what a search over the core found."""
        search = Search(step, draw_of(step, self.seed))
        for name, text in search.found.items():
            spec = search.state.param[name]
            if isinstance(spec, Quantity):
                entry = self.page.locator(f"#q-{name}-entry")
                entry.fill(text)
                entry.press("Enter")
            elif self.page.locator(f"select#q-{name}").count():
                self.page.locator(f"select#q-{name}").select_option(text)
            elif text in ("yes", "no"):
                self.page.locator(f"#q-{name}").set_checked(text == "yes")
            else:
                self.page.locator(f"[data-value='{text}']").click()

    def answer_wrong(self, step):
        """Two wrong tries with their hints, then let it be shown."""
        if step.predict and step.predict.choices:
            right = self.situation(step).right_choices()[0]
            wrong = [n for n in range(len(step.predict.choices)) if n != right]
            for tries, n in enumerate((wrong[0], wrong[-1]), 1):
                self.choose(n)
                assert len(self.hint(tries)) > 15
        elif step.predict:
            for tries, text in enumerate(wrong_numbers(self.situation(step)), 1):
                self.type(text)
                assert len(self.hint(tries)) > 15
        else:
            self.button("Give me a hint").click()
            assert len(self.find(".task .hint").inner_text()) > 15
        self.button("Show me").click()
        self.verdict("right")
        self.explained(step)


def exact(situation):
    """The right number as a learner would type it, with all its digits."""
    right = situation.right_number()
    value = right.value * 100 if right.unit == "%" else right.value
    return f"{value!r} {right.unit}".strip()


def wrong_numbers(situation):
    right, room = situation.right_number(), situation.room(situation.right_number())
    scale = 100 if right.unit == "%" else 1
    for factor in (3.7, -5.3):
        value = right.value + factor * (room + abs(right.value))
        yield f"{value * scale!r} {right.unit}".strip()


def kept_results(page, lesson):
    """What the browser keeps of a lesson: step id -> result."""
    steps = page.evaluate("(id) => forktailProgress.lesson(id).steps", lesson.id)
    return {step: entry["result"] for step, entry in steps.items()}


def unlike(lessons):
    """Those of the lessons that ask in a way, or on a page, in which none before them does."""
    seen = set()
    for lesson in lessons:
        steps = [s for s in lesson.steps if s.predict or s.task]
        here = {(s.page, bool(s.task), bool(s.predict and s.predict.choices)) for s in steps}
        if not here <= seen:
            yield lesson
        seen |= here


WALKED = list(unlike(LESSONS))


@pytest.mark.parametrize("lesson", WALKED, ids=[x.id for x in WALKED])
def test_a_lesson_answered_wrong_everywhere_and_then_right(open_page, lesson):
    """Two walks to the end of one lesson: hints and "show me" first, then the right answers."""
    page = open_page(f"lesson?id={lesson.id}", **SMALL)
    learner = Learner(page, lesson)
    kinds = [("ask" if s.predict else "task" if s.task else "read") for s in lesson.steps]
    for number, step in enumerate(lesson.steps):
        if number:
            learner.next(number)
        if kinds[number] != "read":
            learner.answer_wrong(step)
    learner.keeps({"ask": "shown", "task": "shown", "read": "read"}, kinds)
    for number, step in enumerate(lesson.steps):
        if kinds[number] != "read":
            learner.go(number)
            learner.button("Try again").click()
            page.wait_for_selector(f".lesson-text[data-phase={kinds[number]}]")
            learner.answer_right(step)
    learner.keeps({"ask": "right", "task": "met", "read": "read"}, kinds)


FIRST = LESSONS[0]


def test_progress_survives_reload_export_reset_and_import(open_page, tmp_path):
    page = open_page(f"lesson?id={FIRST.id}", **STILL)
    learner = Learner(page, FIRST)
    number = next(n for n, s in enumerate(FIRST.steps) if s.predict)
    learner.go(number)
    learner.answer_right(FIRST.steps[number])
    text = learner.find(".explain").inner_text()
    page.reload()
    page.wait_for_selector(".lesson-text .explain")
    learner.at(number)
    assert learner.find(".explain").inner_text() == text
    assert "done" in learner.find(".verdict").inner_text()
    page.get_by_role("link", name="All lessons").click()
    page.wait_for_selector(".cards")
    card = page.locator(".card").first
    assert "of" in card.inner_text() and "Go on" in page.locator("a.go").inner_text()
    with page.expect_download() as download:
        page.get_by_role("button", name="Save progress").click()
    path = tmp_path / "progress.json"
    download.value.save_as(path)
    assert FIRST.steps[number].id in json.loads(path.read_text())["lessons"][FIRST.id]["steps"]
    page.get_by_role("button", name="Reset\u2026").click()
    page.get_by_role("button", name="Forget it").click()
    page.wait_for_function("() => !Object.keys(forktailProgress.read().lessons).length")
    assert "Not begun" in card.inner_text()
    page.locator("input[type=file]").set_input_files(path)
    page.wait_for_function("(id) => forktailProgress.read().lessons[id]", arg=FIRST.id)
    page.locator("input[type=file]").set_input_files(
        files=[{"name": "x.json", "mimeType": "application/json", "buffer": b"nonsense"}]
    )
    page.get_by_text("holds no Forktail progress").wait_for()
    assert kept_results(page, FIRST)[FIRST.steps[number].id] == "right"


def test_what_was_missed_comes_back_after_1_3_7_and_21_days(open_page):
    """The days are those of the browser; the list says what is due, and one link asks it."""
    page = open_page("lessons", **STILL)
    page.wait_for_selector(".rounds")

    def day(number):
        page.evaluate(
            "(n) => { window.was ||= Date.now; Date.now = () => was() + n * 864e5; }",
            number,
        )
        there = "new Set(['one-pair.output', 'one-pair.flat-end'])"
        return page.evaluate(f"forktailProgress.review({there}).due")

    def answer(step, result, tries):
        page.evaluate(
            "([step, result, tries]) => forktailProgress.note('one-pair', { step, result, tries })",
            [step, result, tries],
        )

    answer("flat-end", "right", 1)  # right at once: nothing to bring back
    answer("output", "right", 2)
    assert day(0) == []
    now = 0
    for wait in (1, 3, 7, 21):
        assert day(now + wait - 1) == []
        now += wait
        assert day(now) == ["one-pair.output"]
        if wait == 3:  # wrong again: the count starts again
            answer("output", "tried", 1)
            assert day(now + 1) == ["one-pair.output"]
            now += 1
            answer("output", "right", 1)
            now += 3
            assert day(now) == ["one-pair.output"]
        answer("output", "right", 1)
    assert day(now + 400) == []
    answer("output", "shown", 2)
    text = page.evaluate("JSON.stringify(forktailProgress.read())")
    page.evaluate("(text) => { forktailProgress.clear(); forktailProgress.merge(text); }", text)
    assert day(now + 401) == ["one-pair.output"]
    page.add_init_script("const now = Date.now; Date.now = () => now() + 500 * 864e5;")
    page.reload()
    page.get_by_text("1 question is due").wait_for()
    goals = page.locator(".card").first.locator(".goals li")
    assert goals.nth(2).get_attribute("data-known") == "shown"
    assert "not tried" in goals.nth(0).locator(".known").text_content()
    page.get_by_role("link", name="Review now").click()
    page.wait_for_selector(".lesson-text .ask")
    assert page.locator(".steps li").count() == 2


def test_the_scene_waits_for_the_prediction_and_then_moves(open_page):
    """With motion: locked controls, the scene at its start, then frames in between."""
    page = open_page(f"lesson?id={FIRST.id}&step=higher-base")
    learner = Learner(page, FIRST)
    step = FIRST.steps[FIRST.step("higher-base")]
    situation = learner.situation(step)
    assert page.locator("#q-v_upper").count() == 0
    assert page.get_by_text("The controls open once").is_visible()
    current = page.locator("svg.schematic [data-id=i1]")
    before, after = fill("i_q1", situation.before), fill("i_q1", situation.after)

    def plain():
        return current.text_content().replace(" ", "\u00a0")

    assert plain() == before
    seen = set()
    learner.choose(situation.right_choices()[0])
    while page.locator(".explain").count() == 0:
        seen.add(plain())
    assert plain() == after
    assert len(seen - {before, after}) > 2
    assert page.locator("#q-v_upper").is_visible()


def test_keyboard_alone_is_enough(open_page):
    page = open_page(f"lesson?id={FIRST.id}", **STILL)
    learner = Learner(page, FIRST)
    keys = page.keyboard
    learner.find("[data-keep=next]").focus()
    keys.press("Enter")
    learner.at(1)
    for _ in range(20):  # on from the heading: past the links of the text to the choices
        keys.press("Tab")
        if learner.find(".choice input:focus").count():
            break
    keys.press("ArrowDown")
    keys.press("Enter")
    assert learner.verdict("right")
    assert learner.find(".verdict:focus").count() == 1
    learner.go(FIRST.step("three-quarters"))
    page.locator("#q-v_upper").focus()
    for _ in range(28):
        keys.press("ArrowRight")
    assert "numbers agree" in learner.verdict("right")


def test_a_typed_number_needs_its_unit_and_a_bad_one_costs_no_try(open_page):
    page = open_page(f"lesson?id={FIRST.id}&step=output", **STILL)
    learner = Learner(page, FIRST)
    for text, said in (("500", "has no unit"), ("5 mA", "a current"), ("five", "not a value")):
        learner.type(text)
        learner.find(".refusal", has_text=said).wait_for()
        assert learner.find(".answer").input_value() == text
    assert learner.find(".verdict").count() == 0


def test_glossary_terms_open_in_place_and_on_their_page(open_page):
    page = open_page(f"lesson?id={FIRST.id}", **STILL)
    learner = Learner(page, FIRST)
    learner.find("a[data-term=tail-current]").first.click()
    assert "share out" in learner.find(".term").inner_text()
    page.keyboard.press("Escape")
    assert learner.find(".term").count() == 0
    page = open_page("lessons?read=glossary#tail-current")
    assert page.locator("dt.here").inner_text() == "Tail current"
    page = open_page("lessons?read=assumptions")
    assert "Gray, Hurst, Lewis, Meyer" in page.locator(".lessons").inner_text()


def test_print_makes_a_worksheet_in_the_page(open_page):
    page = open_page(f"lesson?id={FIRST.id}", **STILL)
    Learner(page, FIRST).button("Print worksheet").click()
    frame = page.frame_locator("#forktail-print")
    frame.locator("main.key").wait_for(state="attached")
    assert frame.locator("main.sheet svg.schematic").count() >= 4


@pytest.mark.parametrize("lesson", ["the-board", "third-pair"])  # the longest
def test_a_worksheet_takes_four_pages_at_most(browser, lesson):
    page = browser.new_page()
    page.set_content(handout(next(x for x in LESSONS if x.id == lesson), "1"))
    page.evaluate("document.querySelector('main.key').remove()")
    pages = re.findall(rb"/Type\s*/Page\b", page.pdf(format="A4", prefer_css_page_size=True))
    page.close()
    assert 2 <= len(pages) <= 4


@pytest.mark.parametrize("size", [(1440, 900), (1920, 1080), (390, 844)])
def test_nothing_is_cut_off_at_any_size(open_page, size):
    page = open_page(f"lesson?id={FIRST.id}&step=output", *size, **STILL)
    Learner(page, FIRST)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    box = page.locator("svg.schematic").bounding_box()
    assert box["width"] > 0.3 * size[0] * (size[0] > 700) and box["height"] > 200
    page = open_page("lessons", *size)
    page.wait_for_selector(".cards")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_an_unknown_lesson_says_so(open_page):
    page = open_page("lesson?id=nothing-here")
    page.get_by_text("There is no lesson \u201cnothing-here\u201d").wait_for()
