"""A panel with typed entries: what cannot be used stays in its field, with the reason below."""

from forktail.ui.html import STYLES
from forktail.ui.markup import MarkupView


class EntryPanel(MarkupView):
    """Entries whose fields have the ids `in-NAME`, and their reasons `err-NAME`."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self._bad = {}

    def refuse(self, name, text, sentence):
        """Show why an entry cannot be used."""
        self._bad[name] = (str(text)[:100], sentence)
        self.resend(f"in-{name}", "value")

    def accept(self, name):
        """An entry was read."""
        self._bad.pop(name, None)
        self.resend(f"in-{name}", "value")

    def entry(self, name, text):
        """What an entry shows: `text`, or what was typed in vain and why."""
        typed, sentence = self._bad.get(name, (text, ""))
        bad = name in self._bad
        return {
            f"in-{name}": {"value": typed, "aria-invalid": "true" if bad else None},
            f"err-{name}": {"#": sentence, "hidden": None if bad else ""},
        }
