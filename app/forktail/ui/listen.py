"""Hearing a result: off until asked for, limited in level, with a caution."""

import numpy as np
import param

from forktail.core.waves.drives import HEARING_CAUTION
from forktail.ui.component import Component


class Listen(Component):
    """A button that plays a `signals.Sound` in a loop, with a volume that starts low.

    Parameters
    ----------
    make : callable
        Returns the Sound of the present scene for a chosen option key, or None.
    on_pick : callable
        Called with the key when the user chooses what is heard.

    A page calls `offer` when what can be heard changes and `refresh` when the scene rests; the
    sound is computed only while the user listens.
    """

    spec = param.Dict(default={})
    sound = param.Dict(default={})

    script = "ui/listen.js"

    def __init__(self, make, on_pick=None, **params):
        super().__init__(**params)
        self._make, self._on_pick = make, on_pick
        self.playing, self._options = False, ()

    def offer(self, options, chosen="", reason=""):
        """Say what can be heard.

        Parameters
        ----------
        options : sequence of (key, text)
            Empty where there is nothing to hear; a menu is shown from two on.
        chosen : str
        reason : str
            Why there is nothing to hear.
        """
        options = [list(o) for o in options]
        spec = {
            "options": options,
            "chosen": chosen or (options[0][0] if options else ""),
            "reason": reason,
            "caution": HEARING_CAUTION if options else "",
        }
        if spec != self.spec:
            self.spec = spec
        if not options:
            self.playing = False

    def refresh(self):
        """Send the sound of the present scene if the user listens."""
        if not self.playing:
            return
        sound = self._make(self.spec.get("chosen", ""))
        if sound is None:
            self.sound = {}
            return
        self.sound = {
            "samples": np.asarray(sound.samples, dtype="<f4").tobytes(),
            "rate": int(sound.rate),
            "silent": bool(sound.silent),
            "text": sound.text,
        }

    def handle(self, message):
        kind = message.get("kind") if isinstance(message, dict) else None
        if kind == "on":
            self.playing = True
            self.refresh()
        elif kind == "off":
            self.playing = False
            self.sound = {}
        elif kind == "pick" and self._on_pick:
            key = message.get("value")
            if key in [o[0] for o in self.spec.get("options", ())]:
                self._on_pick(key)
