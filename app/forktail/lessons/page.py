"""The page of one lesson: text beside the live scene that it is about."""

import threading
from urllib.parse import parse_qsl, quote

import panel as pn

from forktail.lessons import listing, rounds, shelf
from forktail.lessons.format import CHECK, REVIEW
from forktail.lessons.handout import handout
from forktail.lessons.markdown import live_values
from forktail.lessons.motion import Motion
from forktail.lessons.panel import LessonControls, LessonPanel
from forktail.lessons.scenes.views import VIEWS
from forktail.lessons.search import Search
from forktail.lessons.walk import Walk
from forktail.lessons.words import Shown, shown
from forktail.resources import asset_text
from forktail.ui.controls import group, row
from forktail.ui.shell import Page, page, route
from forktail.ui.state import MAX_QUERY, Quantity

#: A task is met when its condition still holds after so long, ms: sweeping past is not enough.
SETTLE_MS = 350
#: While the controls of a task move, they are kept so often, ms.
KEEP_MS = 800


class LessonPage(Page):
    """One session of a lesson: wires a `Walk` to its scenes, its controls and its panel."""

    def __init__(self, lesson, library, link=""):
        self.library, self.walk, self.motion = library, Walk(lesson), Motion()
        self.still = self.greeted = self._asleep = self._keeping = False
        self.link = link or f"id={lesson.id}"
        self._led = None  # what a presenter showed last
        self.shown = Shown({})
        self.views = _views(lesson)
        self.plots = tuple(p for v in self.views.values() for p in v.plots)
        self.controls = LessonControls(
            self.state,
            self._groups,
            play=self._playable,
            handlers={
                "reset": lambda m: self.state.apply_texts(self.walk.home()),
                "drag": self._drag,
                "csv": self._csv,
                "theme": self.set_theme,
                "follow": self._follow,
                "scene": self._restore,
            },
        )
        self.panel = LessonPanel(
            {
                "hello": self._hello,
                "answer": self._answer,
                "show": self._show_answer,
                "again": lambda m: self.enter(self.walk.at, "verdict", self.walk.again),
                "go": self._go,
                "handout": self._print,
                "hint": self._hint,
            },
            spec={"lesson": lesson.id, "link": self.link},
        )
        for state in self.walk.states.values():
            state.param.watch(self.changed, state.watched())
        self.refresh()

    @property
    def state(self):
        """The state of the present scene."""
        return self.walk.state

    # ---- drawing

    def changed(self, *events):
        """Draw again, unless a step is being entered."""
        if not self._asleep:
            self.walk.moved = self.walk.moved or bool(self.walk.unlocked())
            super().changed(*events)
            if self.walk.phase == "task" and not self._keeping and pn.state.curdoc is not None:
                self._keeping = True
                _later(self._keep, KEEP_MS)

    def _keep(self):
        self._keeping = False
        self.walk.keep()
        self._send_news()

    def _send_news(self):
        """Hand the browser what it is to keep."""
        for entry in self.walk.progress.take_news():
            self.panel.update({}, record=entry)

    def refresh(self):
        """Draw the views of the step, its live figures and the state of its task."""
        walk, step = self.walk, self.walk.step
        covered = walk.covered()
        self.views[step.page].show(self.state, tuple(n for n in step.show if n not in covered))
        watching = step.task and walk.phase in ("task", "met")
        known = walk.figures() if self.shown.live or watching else {}
        more = {}
        if watching and walk.watch(known):
            more["holds"] = walk.holds
        if walk.moved and not self.shown.spec.get("moved"):
            more["moved"] = self.shown.spec["moved"] = True
        self.panel.update(live_values(self.shown.live, self.shown.known, known), **more)
        if more.get("holds") and walk.phase == "task":
            _later(self._meet, SETTLE_MS)

    def present(self, focus=""):
        """Send the whole step to the panel, once the browser has said who is there."""
        if not self.greeted:
            return
        self.shown = shown(self.walk, self.library, focus)
        self.shown.spec["link"] = self.link
        now = self.walk.figures() if self.shown.live else {}
        self.panel.show(self.shown.spec, live_values(self.shown.live, self.shown.known, now))
        self._send_news()

    def enter(self, at, focus="title", how=None):
        """Go to a step, all in one message."""
        self.motion.stop()
        with pn.io.hold():
            self._asleep = True
            how() if how else self.walk.enter(at)
            self._asleep = False
            self.controls.state = self.state
            self.controls.rebuild()
            self.shown = Shown({})
            self.refresh()
            if self.greeted:
                self.walk.look_around()
            self.present(focus)

    # ---- controls

    def _playable(self):
        return [n for n in self.walk.unlocked() if isinstance(self.state.param[n], Quantity)]

    def _groups(self):
        names = self.walk.unlocked()
        return [group("", [row(self.state, n) for n in names])] if names else []

    def _drag(self, message):
        wanted = self.views[self.walk.step.page].drag(self.state, message)
        moved = {n: v for n, v in wanted.items() if n in self.walk.unlocked()}
        if moved:
            self.state.param.update(**moved)

    def _restore(self, message):
        """Undo and redo: what can be moved in this step goes back to where it was."""
        old = dict(parse_qsl(str(message.get("inner", ""))[:MAX_QUERY], keep_blank_values=True))
        texts = {n: t for n, t in self.state.texts().items() if n not in self.walk.unlocked()}
        self.state.apply_texts(texts | {n: old[n] for n in self.walk.unlocked() if n in old})

    def _csv(self, message):
        name = str(message.get("plot"))[:40]
        for kind, views in self.views.items():
            if name in views.roots:
                text = views.csv(name, self.walk.states[kind])
                self.controls.download(f"forktail-{name}.csv", text, "text/csv")

    # ---- what the learner does

    def _hello(self, message):
        """The browser says who is there: their progress, seed, place and taste for motion."""
        seed = quote(str(message.get("seed", "0"))[:20])
        self.walk.begin(message.get("record"), seed)
        self.controls.draw_with(seed)
        self.still, self.greeted = bool(message.get("still")), True
        wanted = message.get("step") or self.walk.progress.at
        at = self.walk.lesson.step(wanted) or 0
        # the first message may come before Panel counts the session as connected; what changes
        # till then is dropped on its way to the browser
        pn.state.onload(lambda: self.enter(at, ""))
        if self._led is not None:
            self._follow(self._led)

    def _answer(self, message):
        if self.walk.phase != "ask":
            return
        if self.walk.reply(message.get("choice", message.get("text"))):
            self._reveal()
        else:
            self.present("verdict")

    def _show_answer(self, message):
        if not self.walk.may_be_shown():
            return
        if self.walk.phase == "ask":
            self.walk.give_up()
            self._reveal()
        else:
            self._find()

    def _hint(self, message):
        if self.walk.phase == "task":
            self.walk.hint()
            self.present("hint")

    def _go(self, message):
        at = message.get("at")
        if isinstance(at, int) and 0 <= at < len(self.walk.lesson.steps):
            self.enter(at)

    def _follow(self, message):
        """Show what a presenter shows, once the browser has said who is there.

        Its greeting brings the learner's own place and draw, which must not come after this.
        """
        self._led = message
        if self.greeted:
            pn.state.onload(lambda: self._be_led(message))

    def _be_led(self, message):
        """Show the step, the draw and the scene of a presenter; answers stay the learner's own."""
        if message is not self._led:  # a newer one is under way
            return
        walk = self.walk
        wanted = dict(parse_qsl(str(message.get("query", ""))[:MAX_QUERY]))
        scene = dict(parse_qsl(str(message.get("inner", ""))[:MAX_QUERY], keep_blank_values=True))
        seed, at = scene.pop("seed", walk.seed)[:20], walk.lesson.step(wanted.get("step"))
        if (at is not None and at != walk.at) or seed != walk.seed:
            walk.seed = seed
            self.controls.draw_with(seed)
            self.enter(walk.at if at is None else at)
        if scene:
            self.state.apply_texts(scene)  # a message of its own: held ones replace one another

    def _print(self, message):
        text = handout(self.walk.lesson, self.walk.seed)
        self.panel.update({}, print=text)

    # ---- the scene moves

    def _move(self, texts, arrive):
        jump = self.still or not self.walk.step.kind.moves
        self.motion.run(self.state, texts, arrive, jump)

    def _reveal(self):
        """Uncover, move the scene to where the announced change leads, then explain."""
        with pn.io.hold():
            self.present("verdict")
            self.refresh()

        def arrive():
            self.walk.arrive()
            with pn.io.hold():
                self.controls.rebuild()
                self.present("explain")

        self._move(self.walk.home(), arrive)

    def _meet(self):
        if self.walk.meet():
            self.present("verdict")

    def _find(self):
        """Search a way to the goal off the event loop, then move the scene along it."""
        document, walk = pn.state.curdoc, self.walk
        step, home = walk.step, walk.home()

        def move(found):
            if walk.step is not step or walk.phase != "task":
                return
            if found is None:
                self.panel.update({}, refused="No way was found from here.")
                return
            walk.showing = True
            self._move({**home, **found}, self._meet)

        if document is None:
            move(Search(step, walk.situation.draw).found)
            return

        def work():
            found = Search(step, walk.situation.draw).found
            document.add_next_tick_callback(lambda: move(found))

        threading.Thread(target=work, daemon=True).start()


def _views(lesson):
    """The views of each kind of scene that the lesson shows: key -> views."""
    names = {}
    for step in lesson.steps:
        names.setdefault(step.page, {}).update(dict.fromkeys(step.show))
    return {kind: VIEWS[kind](wanted) for kind, wanted in names.items()}


def _later(function, ms):
    document = pn.state.curdoc
    if document is None:
        function()
    else:
        document.add_timeout_callback(function, ms)


@route("/lesson")
def lesson():
    """Build the page of the lesson that the link names (`?id=one-pair`)."""
    library, wanted = shelf.library(), listing.asked("id")
    link, seed = f"id={quote(wanted)}", quote(listing.asked("seed"))[:20]
    if wanted == CHECK:
        found, link = rounds.final_check(library, seed), f"{link}&seed={seed}"
    elif wanted == REVIEW:
        names = listing.asked("ask", 2000)
        found = rounds.review(library, names.split(","), seed)
        link = f"{link}&seed={seed}&ask={quote(names, safe=',.')}"
    else:
        found = library.lesson(wanted)
    if found is None:
        listing.show(listing.lost(library, wanted))
        return
    session = LessonPage(found, library, link)
    listing.reload_on_change(session.panel)
    roots, scenes = {}, []
    for kind, views in session.views.items():
        roots |= views.roots
        scenes.append(f'<div class="scene" data-kind="{kind}">\n{views.body()}</div>')
    body = asset_text("pages/lesson/body.html").replace("[[SCENES]]", "\n".join(scenes))
    page(
        "lesson",
        found.title,
        {"panel": session.panel, "controls": session.controls, **roots},
        body=body,
        current="/lessons",
    )
