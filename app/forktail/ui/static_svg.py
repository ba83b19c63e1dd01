"""Markup with its patch written into it: a drawing for print, where nothing is patched."""

import re

from forktail.ui.html import attributes, escaped

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
        kept, patch = before + after, dict(values.get(ident, {}))
        text = patch.pop("#", "")
        for name in patch:
            kept = re.sub(rf"\s{re.escape(name)}=\"[^\"]*\"", "", kept)
        start = f"<{tag}{kept}{attributes(**patch)}"
        # a drawing knows no `hidden`: pages have a rule for it, paper has not
        start = start.replace(' hidden=""', ' display="none"')
        return f"{start}/>" if closed else f"{start}>{escaped(text)}"

    return _TAG.sub(fill, markup)
