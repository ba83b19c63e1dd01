"""What the views of the Build page share: style, requests, cells of tables."""

import json
import math
from html import escape

from forktail.core.quantities import format_quantity
from forktail.ui.component import STYLE

STYLES = [STYLE, "assets/pages/build/style.css"]


def request(**message):
    """Attribute that makes a button send a message to the page."""
    return f"data-request='{escape(json.dumps(message), quote=True)}'"


def button(label, disabled=False, data_id="", **message):
    """A button that sends a message to the page."""
    ident = f' data-id="{data_id}"' if data_id else ""
    return (
        f'<button type="button"{ident} {request(**message)}{" disabled" if disabled else ""}>'
        f"{escape(label)}</button>"
    )


def number(value, unit="", digits=3):
    """Text of a number; an unsolved one says so."""
    if value is None or not math.isfinite(value):
        return "no answer"
    if unit in ("1/V", "1/K"):
        if unit == "1/K":
            return f"{format_quantity(100 * value, '', digits)} %/K"
        return f"{format_quantity(value, '', digits)} /V"
    return format_quantity(value, unit, digits)


def table(head, rows, caption="", cls=""):
    """HTML table of texts; the first cell of each row is its head."""
    top = "".join(f'<th scope="col">{escape(h)}</th>' for h in head)
    body = "".join(
        f'<tr{" class=" + chr(34) + mark + chr(34) if mark else ""}><th scope="row">'
        f"{escape(str(first))}</th>" + "".join(f"<td>{escape(str(c))}</td>" for c in rest) + "</tr>"
        for first, *rest, mark in rows
    )
    said = f"<caption>{escape(caption)}</caption>" if caption else ""
    return (
        f'<table class="cells {cls}">{said}<thead><tr>{top}</tr></thead>'
        f"<tbody>{body}</tbody></table>"
    )
