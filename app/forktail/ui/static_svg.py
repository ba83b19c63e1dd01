"""Markup with its patch written into it: a drawing for print, where nothing is patched."""

import re
from html import escape

_TAG = re.compile(r"<(\w+)([^<>]*?)\s(data-id=\"([^\"]+)\")([^<>]*?)(/?)>")


def still(markup, values):
    """Write a patch into markup.

    Parameters
    ----------
    markup : str
        SVG or HTML with data-id on what changes.
    values : dict
        {data-id: {attribute: value}}; "#" is the text, None leaves an attribute out.

    Returns
    -------
    str
        Without any data-id.
    """

    def fill(match):
        tag, before, _, ident, after, closed = match.groups()
        attributes = before + after
        patch = values.get(ident, {})
        for name, value in patch.items():
            if name == "#":
                continue
            attributes = re.sub(rf"\s{re.escape(name)}=\"[^\"]*\"", "", attributes)
            if value is not None:
                attributes += f' {name}="{escape(str(value), quote=True)}"'
        text = "" if closed else escape(str(patch.get("#", "")))
        return f"<{tag}{attributes}{closed}>{text}"

    return _TAG.sub(fill, markup)
