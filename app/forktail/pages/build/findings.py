"""The list of findings: severity in a word, the number, what to do, and a button that does it."""

from forktail.core.built.references import part_reference
from forktail.ui.html import STYLES, escape, request
from forktail.ui.markup import MarkupView
from forktail.ui.text import keep_together

_MARKS = {"severe": "Fault", "warning": "Take care", "note": "Note", "good": "Good"}


class FindingsView(MarkupView):
    """Findings of an `Assessment`, with the change each proposes."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self._shown = None
        self.rebuild(
            '<div class="findings" data-id="findings"><h2>Findings '
            '<span class="soft" data-id="checking">checking\u2026</span>'
            "</h2></div>",
            {},
        )

    def wait(self):
        """Say that the list is being worked out again; the old one stays, faded."""
        self.update({"findings": {"class": "findings stale"}, "checking": {"#": "checking\u2026"}})

    def fail(self, sentence):
        """Say that there are no findings."""
        self._shown = None
        self.rebuild(
            f'<div class="findings" data-id="findings"><h2>Findings</h2>'
            f'<p class="entry-error" role="alert">{escape(sentence)}</p></div>',
            {},
        )

    def show(self, circuit, found):
        """Show findings, worst first."""
        fresh = {"findings": {"class": "findings"}, "checking": {"#": _count(found)}}
        if found == self._shown:
            self.update(fresh)
            return
        self._shown = found
        items = "".join(_item(circuit, n, f) for n, f in enumerate(found))
        self.rebuild(
            '<div class="findings" data-id="findings"><h2>Findings '
            '<span class="soft" data-id="checking"></span></h2>'
            f"<ul>{items}</ul></div>",
            fresh,
        )


def _count(found):
    bad = sum(f.severity in ("severe", "warning") for f in found)
    return (
        "nothing wrong as drawn" if not bad else "1 to see to" if bad == 1 else f"{bad} to see to"
    )


def _item(circuit, n, finding):
    try:
        ref = part_reference(circuit, finding.part) if finding.part else ""
    except ValueError:
        ref = ""
    head = f'<b class="mark">{_MARKS[finding.severity]}</b> ' + (
        f'<span class="ref">{escape(ref)}</span> ' if ref and ref not in finding.text else ""
    )
    out = [f'<li class="{finding.severity}"><p>{head}{escape(keep_together(finding.text))}</p>']
    if finding.suggestion:
        act = ""
        if finding.change:
            act = (
                f' <button type="button" class="apply" {request(kind="apply", n=n)} '
                f'aria-label="Apply: {escape(finding.suggestion)}">Apply</button>'
            )
        out.append(f'<p class="todo">{escape(keep_together(finding.suggestion))}{act}</p>')
    return "".join(out) + "</li>"
