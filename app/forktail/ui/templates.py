"""Whole documents from templates of `assets/`: what is put in is escaped, unless marked `|safe`."""

from functools import lru_cache

import jinja2

from forktail.resources import assets_dir
from forktail.ui.text import keep_together


@lru_cache(maxsize=4)
def environment(folder):
    """The environment of every template below a folder."""
    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder),
        autoescape=True,
        undefined=jinja2.StrictUndefined,  # a name that is misspelled is an error, not a gap
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["together"] = keep_together
    return made


def render(template, **values):
    """Text of a template with values put in.

    Parameters
    ----------
    template : str
        Path below `assets/`, such as `pages/plan/plan.html`.
    **values
        What the template names. A text is escaped; markup that is made elsewhere (a drawing)
        needs `{{ name|safe }}` in the template. `{{ text|together }}` puts no line break
        between a number and its unit.

    Returns
    -------
    str

    Raises
    ------
    jinja2.UndefinedError
        If the template names something that is not given.
    """
    return environment(assets_dir()).get_template(template).render(values)
