"""Markdown of lessons to HTML: raw HTML off, figures from the scene, formulas as MathML.

markdown-it-py and mdit-py-plugins come with Panel.
"""

import re
from html import escape

from markdown_it import MarkdownIt
from mdit_py_plugins.container import container_plugin
from mdit_py_plugins.dollarmath import dollarmath_plugin

from forktail.core.checks import QuantityError
from forktail.lessons.formula import to_mathml
from forktail.lessons.run import fill, named, placeholder
from forktail.ui.text import keep_together

#: Blocks `::: NAME` ... `:::` of a text: what is told once the learner has moved something (on
#: paper nothing moves, so it is left out there), and what is for the screen or for paper only.
BLOCKS = ("moved", "screen", "paper")
_BLOCK = re.compile(r"^::: *(\w+) *\n(.*?)^:::[ \t]*$\n?", re.M | re.S)
_ITEM = re.compile(r"^(\d+)\. (.*)$", re.M)
_HOLE = re.compile(r"\{([^{}\n]{1,220})\}")
_LINKS = {
    "glossary": "lessons?read=glossary#",
    "lesson": "lesson?id=",
    "assumptions": "lessons?read=assumptions",
}


def _figure_rule(state, silent):
    """Inline rule for `{...}`; an escaped brace never reaches it."""
    match = _HOLE.match(state.src, state.pos)
    if not match:
        return False
    if not silent:
        token = state.push("figure", "span", 0)
        token.content = match[1]
    state.pos = match.end()
    return True


def _formula(text, options):
    try:
        return to_mathml(text.strip(), options.get("display_mode", False))
    except QuantityError:
        return f"<code>{escape(text)}</code>"


def _markdown():
    md = MarkdownIt("commonmark", {"html": False, "linkify": False}).enable("table")
    md.disable(["image", "html_block", "html_inline"])
    dollarmath_plugin(md, allow_labels=False, renderer=_formula, allow_space=True)
    container_plugin(md, "moved")
    md.inline.ruler.before("link", "figure", _figure_rule)
    md.add_render_rule("figure", _render_figure)
    md.add_render_rule("text", lambda r, t, k, o, e: escape(keep_together(t[k].content)))
    md.add_render_rule("link_open", _render_link)
    # headings of a text lie below that of the step
    md.add_render_rule("heading_open", lambda r, t, k, o, e: f"<h{_level(t[k])}>")
    md.add_render_rule("heading_close", lambda r, t, k, o, e: f"</h{_level(t[k])}>")
    return md


def _level(token):
    return min(int(token.tag[1]) + 1, 6)


def _render_figure(self, tokens, k, options, env):
    return env["figures"](tokens[k].content)


def _render_link(self, tokens, k, options, env):
    target = str(tokens[k].attrGet("href") or "")
    kind, _, rest = target.partition(":")
    if kind in _LINKS:
        extra = f' data-term="{escape(rest, quote=True)}"' if kind == "glossary" else ""
        env.setdefault("terms", set()).add(rest) if kind == "glossary" else None
        return f'<a href="{_LINKS[kind]}{escape(rest, quote=True)}"{extra}>'
    if kind in ("http", "https"):
        return f'<a href="{escape(target, quote=True)}" target="_blank" rel="noopener">'
    return "<a>"


_MD = _markdown()


class Rendering:
    """Renders the texts of one scene and remembers what follows it live.

    Parameters
    ----------
    known : mapping
        Names for the figures; see `run.Situation`.
    prefix : str
        Distinguishes the ids of live figures of several renderings on a page.
    still : mapping, optional
        Names for `{now....}` where nothing moves, as in print.
    paper : bool
        Whether it is printed; see `BLOCKS`.

    Attributes
    ----------
    live : dict of str to str
        data-id -> placeholder, for figures that begin with `now.`.
    terms : set of str
        Glossary terms that were linked.
    """

    def __init__(self, known, prefix="f", still=None, paper=False):
        self.known, self.prefix, self.still, self.paper = known, prefix, still, paper
        self.live, self.terms = {}, set()

    def _figure(self, inner):
        known = self.known
        try:
            names = placeholder(inner)[0].names
            if any(n.startswith("now.") for n in names):
                known = {**known, **named("now", self.still if self.still is not None else known)}
                if self.still is None:
                    key = f"{self.prefix}{len(self.live)}"
                    self.live[key] = inner
                    return f'<span class="figure" data-id="{key}">{_text(inner, known)}</span>'
            return f'<span class="figure">{_text(inner, known)}</span>'
        except QuantityError:
            return f'<span class="figure">{escape("{" + inner + "}")}</span>'

    def block(self, text):
        """HTML of a `Text`."""
        env = {"figures": self._figure, "terms": self.terms}
        return _MD.render(self.kept(text), env)

    def kept(self, text):
        """Source of a `Text` without the blocks that are for another place; see `BLOCKS`."""
        left_out = ("moved", "screen") if self.paper else ("paper",)

        def keep(match):
            if match[1] in left_out:
                return ""
            return match[0] if match[1] == "moved" else match[2]

        return _BLOCK.sub(keep, text.source)

    def readings(self, text):
        """What a numbered list tells to read: pairs of (number of the item, figure as text)."""
        known = {**self.known, **named("now", self.still or self.known)}
        out = []
        for item in _ITEM.finditer(self.kept(text)):
            for hole in _HOLE.finditer(item[2]):
                if placeholder(hole[1])[0].names:  # a value that is only written is set, not read
                    out.append((item[1], fill(hole[1], known)))
        return out

    def line(self, text):
        """HTML of a one-line `Text`, without a paragraph around it."""
        env = {"figures": self._figure, "terms": self.terms}
        return _MD.renderInline(text.source, env)


def open_blocks(source):
    """Lines that begin with `:::` and belong to no block of `BLOCKS`: their positions."""
    bare = _BLOCK.sub(lambda m: re.sub(r"[^\n]", " ", m[0]) if m[1] in BLOCKS else m[0], source)
    return [m.start() for m in re.finditer(r"^:::", bare, re.M)]


def _text(inner, known):
    return escape(fill(inner, known))


def live_values(live, known, now):
    """Texts of live figures: {data-id: text}.

    Parameters
    ----------
    live : dict
        From `Rendering.live`.
    known : mapping
        Names as when it was rendered.
    now : mapping
        Names of the present scene.
    """
    if not live:
        return {}
    names = {**known, **named("now", now)}
    out = {}
    for key, inner in live.items():
        try:
            out[key] = fill(inner, names)
        except QuantityError:
            out[key] = "\u2013"  # such as a division by zero on the way
    return out
