"""The list of lessons and the page of one lesson: text beside the live scene that it is about."""

import threading
from html import escape
from urllib.parse import parse_qsl, quote

import panel as pn

from forktail.core.checks import QuantityError
from forktail.lessons import shelf as lessons_shelf
from forktail.lessons.check import Search
from forktail.lessons.format import ROLES
from forktail.lessons.handout import handout
from forktail.lessons.kinds import figures
from forktail.lessons.markdown import Rendering, live_values
from forktail.lessons.panel import LessonControls, LessonList, LessonPanel
from forktail.lessons.run import (
    Situation,
    after_texts,
    draw_of,
    judge_choice,
    judge_number,
    start_state,
)
from forktail.lessons.scene_views import VIEWS
from forktail.resources import asset_text
from forktail.ui.controls import group, row
from forktail.ui.shell import Page, page, route
from forktail.ui.state import MAX_QUERY, Quantity

#: Wrong answers after which an answer can be shown.
TRIES = 2
#: The move of a scene to its new place: frames, and ms between them.
FRAMES, FRAME_MS = 16, 50
#: A task is met when its condition still holds after so long, ms: sweeping past is not enough.
SETTLE_MS = 350


def _asked(name):
    values = pn.state.session_args.get(name) or [b""]
    return values[0].decode("utf-8", "replace")[:200]


def _reload_on_change(component):
    """While lessons are being written (`--lessons`), load the page again when a file changes."""
    first = lessons_shelf.live_stamp()
    if first is None or pn.state.curdoc is None:
        return

    def look():
        if lessons_shelf.live_stamp() != first:
            component.patch = {"reload": True}

    pn.state.add_periodic_callback(look, period=1000)


# ---------------------------------------------------------------- the list


@route("/lessons", "Lessons", 5)
def lesson_list():
    """Build the list of lessons, or one of the pages to read (`?read=glossary`)."""
    library = lessons_shelf.library()
    asked = _asked("read")
    view = LessonList(spec=_reading(library, asked) or _listing(library))
    _reload_on_change(view)
    title = view.spec.get("title", "Lessons")
    page("lessons", title, {"list": view}, current="/lessons")


def _listing(library):
    rows = []
    titles = {e.lesson.id: e.lesson.title for e in library.entries if e.lesson}
    for number, entry in enumerate(library.entries, 1):
        lesson = entry.lesson
        if lesson is None:
            rows.append(
                {"number": number, "title": entry.title, "faults": [str(f) for f in entry.faults]}
            )
            continue
        rows.append(
            {
                "number": number,
                "id": lesson.id,
                "title": lesson.title,
                "minutes": lesson.minutes,
                "goals": list(lesson.goals),
                "steps": [s.id for s in lesson.steps],
                "after": [titles.get(r, r) for r in lesson.requires],
            }
        )
    return {
        "lessons": rows,
        "faults": [str(f) for f in library.faults],
        "minutes": sum(e.lesson.minutes for e in library.entries if e.lesson),
    }


def _reading(library, asked):
    rendering = Rendering({})
    if asked == "glossary" and library.glossary:
        parts = [
            f'<dt id="{key}">{escape(term)}</dt><dd>{rendering.block(text)}</dd>'
            for key, (term, text) in sorted(library.glossary.items())
        ]
        return {"title": "Glossary", "html": f"<dl>{''.join(parts)}</dl>"}
    if asked == "assumptions" and library.assumptions:
        return {
            "title": "What is assumed, and where it comes from",
            "html": rendering.block(library.assumptions),
        }
    return None


# ---------------------------------------------------------------- one lesson


class LessonPage(Page):
    """One session of a lesson.

    `phase` of a step is `read`, `ask` (the question stands open, the controls are locked),
    `moving`, `done` (answered), `task` or `met`.
    """

    def __init__(self, lesson, library):
        self.lesson, self.library = lesson, library
        shown = {}
        for step in lesson.steps:
            shown.setdefault(step.page, {}).update(dict.fromkeys(step.show))
        self.views = {kind: VIEWS[kind](names) for kind, names in shown.items()}
        self.states = {s.page: s.kind.make_state() for s in lesson.steps}
        self.plots = tuple(p for v in self.views.values() for p in v.plots)
        self.seed, self.still = 0, False
        self.at, self.phase, self.tries = 0, "read", 0
        self.answer, self.verdict, self.record = None, None, {}
        self.situation = self.met_known = self._move = None
        self.live, self.known, self.holds = {}, {}, False
        self._asleep = False  # while a step is set up, its settings draw nothing
        self.controls = LessonControls(
            self.state,
            self._groups,
            play=self._unlocked_quantities,
            handlers={
                "reset": self._reset,
                "drag": self._drag,
                "csv": self._csv,
                "theme": self.set_theme,
                "follow": self._follow,
            },
        )
        self.panel = LessonPanel(
            {
                "hello": self._hello,
                "answer": self._answered,
                "show": self._show_me,
                "again": self._again,
                "go": self._go,
                "handout": self._handout,
                "hint": self._hint,
            }
        )
        for state in self.states.values():
            state.param.watch(self._changed, state.watched())
        self.panel.spec = {"lesson": lesson.id}
        self.greeted = False
        self.enter(0)

    @property
    def step(self):
        return self.lesson.steps[self.at]

    @property
    def state(self):
        return self.states[self.step.page]

    # ---- controls

    def _unlocked(self):
        return self.step.unlock if self.phase in ("read", "done", "task", "met") else ()

    def _unlocked_quantities(self):
        return [n for n in self._unlocked() if isinstance(self.state.param[n], Quantity)]

    def _groups(self):
        names = self._unlocked()
        return [group("", [row(self.state, n) for n in names])] if names else []

    def _reset(self, message):
        """Back to where the step left the learner: its start, or after the announced change."""
        draw = self.situation.draw
        answered = self.phase == "done" and self.step.predict
        self.state.apply_texts(
            after_texts(self.step, draw) if answered else {**self.step.start, **draw}
        )

    def _drag(self, message):
        wanted = self.views[self.step.page].drag(self.state, message)
        allowed = self._unlocked()
        moved = {n: v for n, v in wanted.items() if n in allowed}
        if moved:
            self.state.param.update(**moved)

    def _csv(self, message):
        name = str(message.get("plot"))[:40]
        for kind, views in self.views.items():
            if name in views.roots:
                self.controls.download(
                    f"forktail-{name}.csv", views.csv(name, self.states[kind]), "text/csv"
                )

    # ---- entering a step

    def enter(self, at, focus="title"):
        """Go to a step: what the learner has done there before is kept."""
        self._stop_moving()
        self.at = at
        step = self.step
        draw = draw_of(step, self.seed)
        done = self.record.get("steps", {}).get(step.id)
        done = done if isinstance(done, dict) and done.get("print") == step.print else {}
        self.tries, self.answer, self.verdict, self.hinted = 0, None, None, False
        self.met_known, self.holds = None, False
        self.situation = Situation.of(step, draw)
        texts = {**step.start, **draw}
        if step.predict:
            self.phase = "ask"
            if done.get("result") in ("right", "shown"):
                self.phase, self.verdict = "done", self._past(done)
                self.answer = self.situation.answer_text()
                texts = after_texts(step, draw)
        elif step.task:
            self.phase = "task"
            if done.get("result") in ("met", "shown"):
                self.verdict = self._past(done)
                texts |= self._set_before(done)
        else:
            self.phase = "read"
        self._asleep = True
        self.state.apply_texts(texts)
        self._asleep = False
        if step.task and self.verdict:  # met before: the way there is free to be walked again
            self.phase, self.met_known = "met", figures(step.kind, self.state)
        self.controls.state = self.state
        self.controls.rebuild()
        self.refresh()
        self.present(focus)
        if self.phase == "read":
            self._note("read")

    def _set_before(self, done):
        """The settings with which the learner met the task, as far as they still make sense."""
        kept = done.get("set")
        texts = (
            {n: str(t)[:40] for n, t in kept.items() if n in self.step.unlock}
            if isinstance(kept, dict)
            else {}
        )
        return {} if self.step.kind.make_state().apply_texts(texts) else texts

    @staticmethod
    def _past(done):
        if done.get("result") == "shown":
            return {
                "right": True,
                "shown": True,
                "text": "You let this be shown. Come back to it whenever you like.",
            }
        tries = done.get("tries") or 1
        return {
            "right": True,
            "text": "You have done this step."
            if tries == 1
            else f"You have done this step, with {tries} tries.",
        }

    # ---- drawing

    def _changed(self, *events):
        if not self._asleep:
            super()._changed(*events)

    def refresh(self):
        """Draw the views of the step, its live figures and the state of its task."""
        step, state = self.step, self.state
        self.views[step.page].show(state, step.show)
        watching = step.task and self.phase in ("task", "met")
        if not self.live and not watching:
            return
        known = figures(step.kind, state)
        more = {}
        if watching:
            holds = step.task.condition.holds(known)
            if holds != self.holds:
                self.holds = more["holds"] = holds
        self.panel.update(live_values(self.live, self.known, known), **more)
        if more.get("holds") and self.phase == "task":
            self._later(self._settle, SETTLE_MS)

    def _later(self, function, ms):
        document = pn.state.curdoc
        if document is None:
            function()
        else:
            document.add_timeout_callback(function, ms)

    def _settle(self):
        step = self.step
        if self.phase != "task" or not step.task:
            return
        known = figures(step.kind, self.state)
        if step.task.condition.holds(known):
            shown = self.answer == "shown"
            self._meet(known, "shown" if shown else "met")

    def _meet(self, known, result):
        self.phase, self.met_known = "met", known
        shown = result == "shown"
        self.verdict = {
            "right": True,
            "shown": shown,
            "text": "This is one way to do it." if shown else "Done. The numbers agree.",
        }
        self.present("verdict")
        texts = self.state.texts(changed_only=False)
        self._note(result, set={n: texts[n] for n in self.step.unlock})

    def present(self, focus=""):
        """Send the whole step to the panel, once the browser has said who is there."""
        if not self.greeted:
            return
        step, s = self.step, self.situation
        early = Rendering(s.before, "a")
        spec = {
            "lesson": self.lesson.id,
            "title": self.lesson.title,
            "at": self.at,
            "steps": [[t.id, t.title, t.print] for t in self.lesson.steps],
            "role": ROLES.get(step.role, ""),
            "heading": step.title,
            "phase": self.phase,
            "kind": step.page,
            "views": list(step.show),
            "unlocks": len(step.unlock),
            "tries": self.tries,
            "text": early.block(step.text),
            "verdict": self._verdict(early),
            "focus": focus,
            "seed": str(self.seed),
            "print": step.print,
            "next": self._next(),
        }
        late = self._late()
        if step.predict:
            spec["ask"] = self._ask(early)
            if self.phase == "done" and late:
                self._add_late(spec, late)
        if step.task:
            spec["task"] = {
                "goal": early.line(step.task.goal),
                "holds": self.holds,
                "hint": early.line(step.task.hint) if self.hinted else "",
                "showable": self.hinted and self.phase == "task",
            }
        if self.phase in ("met", "read"):
            self._add_late(spec, late)
        self.known = {**late.known, **early.known} if not late.live else late.known
        self.live = {**early.live, **late.live}
        spec["terms"] = self._terms(early.terms | late.terms)
        now = figures(step.kind, self.state) if self.live else {}
        self.panel.show(spec, live_values(self.live, self.known, now))

    def _late(self):
        known = self.met_known if self.met_known is not None else self.situation.after
        return Rendering(known, "b")

    def _add_late(self, spec, late):
        for part in ("explain", "derivation"):
            text = getattr(self.step, part)
            spec[part] = late.block(text) if text else ""

    def _terms(self, keys):
        out, plain = {}, Rendering({})
        for key in keys:
            if key in self.library.glossary:
                term, text = self.library.glossary[key]
                out[key] = {"term": term, "html": plain.block(text)}
        return out

    def _next(self):
        if self.at + 1 < len(self.lesson.steps):
            return None
        entries = [e.lesson for e in self.library.entries if e.lesson]
        place = [n for n, x in enumerate(entries) if x.id == self.lesson.id]
        if place and place[0] + 1 < len(entries):
            following = entries[place[0] + 1]
            return {"id": following.id, "title": following.title}
        return {"id": "", "title": ""}

    def _ask(self, rendering):
        predict = self.step.predict
        return {
            "question": rendering.line(predict.question),
            "choices": [rendering.line(c.text) for c in predict.choices],
            "unit": predict.unit,
            "picked": self.answer if predict.choices else None,
            "typed": "" if predict.choices or self.answer is None else str(self.answer),
            "showable": self.phase == "ask" and self.tries >= TRIES,
        }

    def _verdict(self, rendering):
        if not self.verdict:
            return None
        hint = self.verdict.get("hint")
        return {
            "right": self.verdict["right"],
            "shown": bool(self.verdict.get("shown")),
            "text": self.verdict["text"],
            "hint": rendering.line(hint) if hint else "",
        }

    # ---- what the learner does

    def _hello(self, message):
        """The browser says who is there: their progress, seed, place and taste for motion."""
        record = message.get("record")
        self.record = record if isinstance(record, dict) else {}
        if not isinstance(self.record.get("steps"), dict):
            self.record["steps"] = {}
        self.seed = quote(str(message.get("seed", "0"))[:20])
        self.controls.draw_with(self.seed)
        self.still, self.greeted = bool(message.get("still")), True
        wanted = message.get("step") or self.record.get("at")
        at = self.lesson.step(wanted) or 0
        # the first message may come before Panel counts the session as connected; what changes
        # till then is dropped on its way to the browser
        pn.state.onload(lambda: self.enter(at, ""))

    def _holding(self):
        return pn.io.hold()

    def _note(self, result, **more):
        if not self.greeted:
            return
        step = self.step
        entry = {"result": result, "tries": self.tries, "print": step.print, **more}
        old = self.record.setdefault("steps", {}).get(step.id)
        better = {"met": 2, "right": 2, "shown": 1}
        kept = (
            isinstance(old, dict)
            and old.get("print") == step.print
            and better.get(old.get("result"), 0) > better.get(result, 0)
        )
        if not kept:
            self.record["steps"][step.id] = entry
            self.panel.update({}, record={"step": step.id, **entry})

    def _answered(self, message):
        step = self.step
        if self.phase != "ask" or not step.predict:
            return
        try:
            if step.predict.choices:
                choice = message.get("choice")
                verdict, self.answer = judge_choice(self.situation, choice), choice
            else:
                text = str(message.get("text", ""))[:60]
                self.answer = text
                verdict = judge_number(self.situation, text)
        except QuantityError as error:
            self.panel.update({}, refused=str(error))
            return
        self.tries += 1
        if verdict.right:
            self.verdict = {
                "right": True,
                "text": "Right." if self.tries == 1 else f"Right, at try {self.tries}.",
            }
            self._reveal("right")
            return
        self.verdict = {"right": False, "text": "Not quite.", "hint": verdict.hint}
        self.present("verdict")

    def _show_me(self, message):
        step = self.step
        if self.phase == "ask" and self.tries >= TRIES:
            self.answer = self.situation.answer_text()
            text = (
                "This is the one, marked above."
                if step.predict.choices
                else f"The answer is {self.answer}."
            )
            self.verdict = {"right": True, "shown": True, "text": text}
            self._reveal("shown")
        elif self.phase == "task" and self.hinted:
            self.answer = "shown"
            self._find()

    def _hint(self, message):
        if self.phase == "task":
            self.tries += 1
            self.hinted = True
            self.present("hint")

    def _find(self):
        """Search a way to the task off the event loop, then walk it."""
        document, at, draw = pn.state.curdoc, self.at, self.situation.draw

        def walk(found):
            if self.at != at or self.phase != "task":
                return
            if found is None:
                self.panel.update({}, refused="No way was found from here.")
                return
            self._walk({**self.step.start, **draw, **found}, lambda: None)

        if document is None:
            walk(Search(self.step, draw).found)
            return

        def work():
            found = Search(self.lesson.steps[at], draw).found
            document.add_next_tick_callback(lambda: walk(found))

        threading.Thread(target=work, daemon=True).start()

    def _again(self, message):
        self.record.get("steps", {}).pop(self.step.id, None)
        with self._holding():
            self.enter(self.at, "verdict")

    def _go(self, message):
        at = message.get("at")
        if isinstance(at, int) and 0 <= at < len(self.lesson.steps):
            with self._holding():
                self.enter(at)

    def _follow(self, message):
        """Show the step, the draw and the scene of a presenter; answers stay the learner's own."""
        wanted = dict(parse_qsl(str(message.get("query", ""))[:MAX_QUERY]))
        scene = dict(parse_qsl(str(message.get("inner", ""))[:MAX_QUERY], keep_blank_values=True))
        seed, at = scene.pop("seed", self.seed)[:20], self.lesson.step(wanted.get("step"))
        if (at is not None and at != self.at) or seed != self.seed:
            with self._holding():
                self.seed = seed
                self.controls.draw_with(seed)
                self.enter(self.at if at is None else at)
        if scene:
            self.state.apply_texts(scene)  # a message of its own: held ones replace one another

    def _handout(self, message):
        self.panel.update({}, print=handout(self.lesson, self.library.glossary, self.seed))

    # ---- the scene moves

    def _reveal(self, result):
        """The scene moves to where the announced change leads, then the text explains."""
        self.phase = "moving"
        self.present("verdict")

        def arrive():
            self.phase = "done"
            with self._holding():
                self.controls.rebuild()
                self.present("explain")
            self._note(result)

        self._walk(after_texts(self.step, self.situation.draw), arrive)

    def _walk(self, texts, arrive):
        state, step = self.state, self.step
        goal = start_state(step, {})
        goal.apply_texts(texts)
        ways = {
            n: (getattr(state, n), getattr(goal, n))
            for n in state.fields()
            if isinstance(state.param[n], Quantity) and getattr(state, n) != getattr(goal, n)
        }
        # frequencies on their way have no short common period, so they jump
        jumps = not step.kind.moves or any(state.param[n].unit == "Hz" for n in ways)
        if self.still or not ways or jumps or pn.state.curdoc is None:
            state.apply_texts(texts)
            arrive()
            return
        frame = 0

        def move():
            nonlocal frame
            frame += 1
            if frame >= FRAMES:
                self._stop_moving()
                state.apply_texts(texts)
                arrive()
                return
            t = frame / FRAMES
            t = t * t * (3.0 - 2.0 * t)
            state.param.update(**{n: a + (b - a) * t for n, (a, b) in ways.items()})

        self._move = pn.state.add_periodic_callback(move, period=FRAME_MS)

    def _stop_moving(self):
        if self._move is not None:
            self._move.stop()
            self._move = None


@route("/lesson")
def lesson():
    """Build the page of the lesson that the link names (`?id=one-pair`)."""
    library = lessons_shelf.library()
    asked = _asked("id")
    found = library.lesson(asked)
    if found is None:
        entry = next(
            (e for e in library.entries if asked and (e.folder == asked or asked in e.folder)), None
        )
        lines = [str(f) for f in entry.faults] if entry else []
        view = LessonList(
            spec={
                "title": "No such lesson" if not entry else entry.title,
                "lost": lines,
                "asked": asked,
            }
        )
        _reload_on_change(view)
        page("lessons", "Lessons", {"list": view}, current="/lessons")
        return
    session = LessonPage(found, library)
    _reload_on_change(session.panel)
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
