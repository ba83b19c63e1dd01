"""The controls of a page: one component that shows parameters and reports what the user did."""

import logging
import time

import param

from forktail.core.checks import QuantityError
from forktail.limits import Bucket
from forktail.ui.component import Component
from forktail.ui.messages import checked
from forktail.ui.qr import qr_svg
from forktail.ui.state import Quantity

log = logging.getLogger("forktail")

#: Messages a second and at once that a page may send.
EVENTS = 120.0, 240
#: Longest address of which a code is made, characters; more do not go into one.
MAX_ADDRESS = 2_400


def group(title, rows, fold=False, open=True, tight=False):
    """One block of rows; `fold` makes it one that opens and closes, `tight` one line a row."""
    return {"title": title, "rows": rows, "fold": fold, "open": open, "tight": tight}


class Controls(Component):
    """Sliders with typed entries, choices, flags and buttons over one `PageState`.

    Parameters
    ----------
    state : PageState
    groups : callable
        Returns the present list of `group(...)` with rows from `row`.
    presets, play : callable
        Return the preset names; the names of the quantities that Play can move.
    handlers : dict
        Message kind -> function of the message, for what a page adds (drag, csv, theme ...) or
        does otherwise.
    """

    spec = param.Dict(default={"groups": [], "presets": [], "play": []})

    script = "ui/controls.js"

    def __init__(self, state, groups, presets=list, play=list, handlers=None, **params):
        super().__init__(**params)
        self.state = state
        self._groups, self._presets, self._play = groups, presets, play
        self.handlers = {
            "slide": self._slide,
            "step": self._step,
            "entry": self._entry,
            "choose": self._choose,
            "flag": self._flag,
            "reset": self._reset,
            "follow": self._follow,
            "scene": self._scene,
            "preset": self._preset,
            "save": self._save,
            "qr": self._qr,
            "load": self._load,
            **(handlers or {}),
        }
        self.on_change = lambda: None
        self.bucket = Bucket(*EVENTS, time.monotonic)
        self._shown, self._ack, self._query = {}, None, None
        self._made = {}  # name -> spec, value and what the row shows of them
        self.rebuild()

    def _specification(self):
        return {
            "groups": self._groups(),
            "presets": list(self._presets()),
            "play": [[n, self.state.specs[n].label] for n in self._play()],
            "passing": self.state.passing,
        }

    def follow(self):
        """Send the rows again if the state has others now."""
        if self._specification() != self.spec:
            self.rebuild()

    def rebuild(self, notice=()):
        """Send the whole specification again."""
        spec = self._specification()
        self.names = [r["name"] for g in spec["groups"] for r in g["rows"]]
        self._shown = {}
        patch = self.difference()
        if notice:
            patch["notice"] = list(notice)
        # the patch goes first: the browser applies it when it builds the new rows
        self.patch = patch
        self.spec = spec

    def announce(self):
        """Say the scene again with the next patch, as if it had changed."""
        self._query = None

    def difference(self):
        """Patch that brings a browser from what was sent last to the state."""
        if not self.models:  # no browser yet: it will see the last patch only, so make it whole
            self._shown, self._query = {}, None
        values = {}
        for name in self.names:
            spec, value = self.state.specs[name].spec, self.state.showing(name)
            made = self._made.get(name)
            if made is None or made[0] is not spec or made[1] != value:
                made = self._made[name] = (spec, value, shown(self.state, name))
            now = made[2]
            if self._shown.get(name) != now:
                values[name] = self._shown[name] = now
        patch = {"values": values}
        query = self.state.query()
        if query != self._query:
            patch["query"] = self._query = query
        if self._ack is not None:
            patch["ack"], self._ack = self._ack, None
        return patch

    def refresh(self):
        """Send the values that changed, the link, and the answer to the message under way."""
        patch = self.difference()
        if len(patch) > 1 or patch["values"]:
            self.patch = patch

    def say(self, lines):
        """Show sentences to the user."""
        self.patch = {**self.difference(), "notice": list(lines)}

    def download(self, name, text, kind="text/plain"):
        """Hand the browser a file to save."""
        self.patch = {"download": {"name": name, "text": text, "type": kind}}

    def handle(self, message):
        if not self.bucket.take():  # the page itself waits for each answer, and never comes here
            if self.bucket.refused == 1:
                self.say(
                    [
                        f"That was too much at once: {EVENTS[0]:g} events a second are taken. "
                        "Move the handle again."
                    ]
                )
            return
        try:
            message = checked(message)
            self._ack = message.get("seq")
            act = self.handlers.get(message["kind"])
            if act is not None:
                act(message)
        except QuantityError as error:
            if (
                isinstance(message, dict)
                and message.get("kind") == "entry"
                and message.get("name") in self.names
            ):
                self.patch = {"errors": {message["name"]: str(error)}}
            else:
                self.say([str(error)])
        except Exception:  # noqa: BLE001 - a fault of our own must not lock the page
            log.exception("not handled: %.300r", message)
            self.say(
                [
                    "That could not be done, by a fault of Forktail itself; the terminal of the "
                    "server says more. Your scene is kept: set another value, or press Reset."
                ]
            )
        if self._ack is not None:  # nothing changed, but the browser waits for an answer
            self.refresh()

    # ---- one method a kind of message

    def _quantity(self, message):
        """The quantity of a row that a message is about, or None."""
        name = message.get("name")
        spec = self.state.specs[name] if name in self.names else None
        return spec if isinstance(spec, Quantity) else None

    def _put(self, message, value):
        self.state.param.update(**{message["name"]: value})

    def _slide(self, message):
        spec = self._quantity(message)
        if spec is not None:
            self._put(message, spec.at_step(min(max(int(message["pos"]), 0), spec.steps())))

    def _step(self, message):
        spec = self._quantity(message)
        if spec is not None:
            by = min(max(int(message["by"]), -10), 10)
            self._put(message, spec.spec.stepped(self.state.showing(spec.name), by))

    def _entry(self, message):
        spec = self._quantity(message)
        if spec is not None:
            value = spec.read(message["text"][:200])
            if getattr(self.state, spec.name) == value:
                self.patch = {"values": {spec.name: shown(self.state, spec.name)}}
            self._put(message, value)

    def _choose(self, message):
        name = message.get("name")
        if name in self.names and message.get("value") in self.state.specs[name].objects:
            self._put(message, message["value"])

    def _flag(self, message):
        if message.get("name") in self.names:
            self._put(message, bool(message.get("value")))

    def _reset(self, message):
        self.state.reset()

    def _follow(self, message):
        problems = self.state.apply_query(str(message.get("query", "")))
        if problems:
            self.say(["Not all of the presenter's scene was understood:", *problems])

    def _scene(self, message):
        problems = self.state.restore(str(message.get("query", "")))
        if problems:
            self.say(["Not all of that scene could be brought back:", *problems])

    def _preset(self, message):
        if message.get("name") in self._presets():
            self.state.apply_preset(message["name"])

    def _save(self, message):
        self.download(f"forktail-{self.state.page}.toml", self.state.to_file())

    def _qr(self, message):
        """The code of the page's link, for a picture of its scene; "" where there can be none."""
        address = str(message.get("address", ""))[:MAX_ADDRESS]
        self.patch = {"qr": qr_svg(address) if address.startswith(("http://", "https://")) else ""}

    def _load(self, message):
        problems = self.state.apply_file(str(message.get("text", "")))
        if problems:
            self.say(["The file was loaded, with these remarks:", *problems])


def row(state, name, look="", short=""):
    """Specification of one row: kind, label and what its kind needs.

    `short` is what the row shows where its group already says the rest; the label stays for
    screen readers.
    """
    spec = state.specs[name]
    label = spec.label or name
    if isinstance(spec, Quantity):
        return {
            "kind": "quantity",
            "name": name,
            "label": label,
            "symbol": spec.symbol,
            "steps": spec.steps(),
            "short": short,
        }
    if spec.spec.kind == "flag":
        return {"kind": "flag", "name": name, "label": label}
    return {
        "kind": "choice",
        "name": name,
        "label": label,
        "look": look,
        "short": short,
        "options": [list(c) for c in spec.spec.choices],
    }


def shown(state, name):
    """What the row of a parameter shows now."""
    spec, value = state.specs[name], state.showing(name)
    if isinstance(spec, Quantity):
        low, high = spec.slider
        return {
            "pos": spec.position(value),
            "text": spec.show(value),
            "beyond": not low <= value <= high,
        }
    return {"value": value}
