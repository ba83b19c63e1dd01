"""Documents from templates: everything is escaped, and a missing name is an error."""

import re

import jinja2
import pytest

from forktail.resources import assets_dir
from forktail.ui import templates

NASTY = "<img src=x onerror=\"a()\"> & 'so' 5 V"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setattr(templates, "assets_dir", lambda: tmp_path)
    return tmp_path


def test_what_is_put_in_is_escaped_unless_the_template_marks_it(folder):
    (folder / "t.html").write_text('<p title="{{ a }}">{{ a|together }}</p>{{ drawing|safe }}')
    out = templates.render("t.html", a=NASTY, drawing="<svg/>")
    assert "<img" not in out and out.endswith("</p><svg/>")
    assert out.count("&lt;img src=x onerror=&#34;a()&#34;&gt; &amp; &#39;so&#39;") == 2
    assert "5\u00a0V</p>" in out


def test_a_name_that_is_not_given_is_an_error(folder):
    (folder / "t.html").write_text("{{ a }}")
    with pytest.raises(jinja2.UndefinedError, match="'a' is undefined"):
        templates.render("t.html", b="")


#: What templates may put in unescaped: drawings, styles and what Markdown of lessons was rendered
#: to (raw HTML in it is not rendered), all made by us from escaped texts.
SAFE = {"drawing", "style", "more", "chart", "picture"}
SAFE |= {"text", "question", "choice", "explain", "derivation", "answer", "hint"}


def test_only_markup_made_by_us_is_put_in_as_it_is():
    found = {
        (path.name, name)
        for path in assets_dir().rglob("*.html")
        for name in re.findall(r"{{\s*([^}|]*?)\s*\|\s*safe", path.read_text(encoding="utf-8"))
    }
    assert {name.rpartition(".")[2] for _, name in found} <= SAFE, found
