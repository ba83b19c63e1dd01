"""HTML and SVG as text. What is a text is escaped here; what is markup already says so."""

import html
import json
import math

from forktail.core.quantities import format_quantity
from forktail.ui.component import STYLE

#: Style sheets of the components of Build.
STYLES = [STYLE, "assets/pages/build/style.css"]
#: Elements of HTML that have no end tag.
_VOID = {"br", "col", "hr", "img", "input", "link", "meta"}


def attributes(**values):
    """Attributes of an element, each with a blank before it.

    `class_` is `class`, and other underscores are hyphens (`data_id`). True is an attribute without
    a value; None and False are none. Texts are escaped.
    """
    out = []
    for name, value in values.items():
        name = name.rstrip("_").replace("_", "-")
        if value is True:
            out.append(f" {name}")
        elif value is not None and value is not False:
            out.append(f' {name}="{escape(str(value))}"')
    return "".join(out)


def escape(text):
    """A text as markup holds it: between tags, or in the quotes of an attribute."""
    return html.escape(str(text))


def escaped(text):
    """A text as it stands between tags, where quotes are no danger and stay."""
    return html.escape(str(text), quote=False)


def element(name, text="", inside="", **values):
    """Markup of one element.

    Parameters
    ----------
    name : str
    text : object
        Text in it, escaped.
    inside : str
        Markup in it, as it is: made by this module or by a view from it.
    **values
        See `attributes`.

    Returns
    -------
    str
    """
    start = f"<{name}{attributes(**values)}>"
    return start if name in _VOID else f"{start}{escaped(text)}{inside}</{name}>"


def request(**message):
    """Attribute that makes a button send a message to the page."""
    return attributes(data_request=json.dumps(message)).lstrip()


def button(label, disabled=False, data_id="", **message):
    """A button that sends a message to the page."""
    return element(
        "button",
        label,
        type="button",
        data_id=data_id or None,
        data_request=json.dumps(message),
        disabled=disabled,
    )


def number(value, unit="", digits=3):
    """Text of a number; an unsolved one says so."""
    if value is None or not math.isfinite(value):
        return "no answer"
    if unit in ("1/V", "1/K"):
        if unit == "1/K":
            return f"{format_quantity(100 * value, '', digits)} %/K"
        return f"{format_quantity(value, '', digits)} /V"
    if unit == "dB" and value <= -200.0:  # nothing but rounding
        return "under \u2212200 dB"
    return format_quantity(value, unit, digits)


def table(head, rows, caption="", cls=""):
    """HTML table of texts.

    Parameters
    ----------
    head : sequence of str
    rows : iterable of sequences
        The first cell of each row is its head, the last its class ("" for none).
    caption, cls : str
    """
    top = "".join(element("th", h, scope="col") for h in head)
    body = "".join(
        element(
            "tr",
            inside=element("th", first, scope="row") + "".join(element("td", c) for c in rest),
            class_=mark or None,
        )
        for first, *rest, mark in rows
    )
    return element(
        "table",
        inside=(element("caption", caption) if caption else "")
        + element("thead", inside=element("tr", inside=top))
        + element("tbody", inside=body),
        class_=f"cells {cls}".rstrip(),
    )
