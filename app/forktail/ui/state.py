"""Param classes: the single source of truth for a page, and their URL and file round trip."""

import difflib
from dataclasses import fields as dataclass_fields
from dataclasses import replace
from functools import cached_property
from urllib.parse import parse_qsl, quote, urlencode

import param

from forktail.core import files
from forktail.core.checks import QuantityError, shortened

#: Longest query read, characters; a longer one is refused with a sentence.
MAX_QUERY = 4_000


class Setting(param.Parameter):
    """A parameter made from a `Spec`, which says what it is called, reads, holds and writes.

    `spec` is that of this parameter: of `state.param[name]` it is that of one session, so a page
    may move a slider with `parameter.spec = parameter.spec.at(slider=..., step=...)`.
    """

    __slots__ = ["spec"]
    _slot_defaults = dict(param.Parameter._slot_defaults, spec=None)

    def __init__(self, spec, **params):
        super().__init__(default=spec.default, label=spec.label or None, doc=spec.doc, **params)
        self.spec = spec

    def _set_names(self, attrib_name):
        super()._set_names(attrib_name)
        self.spec = self.spec.at(attrib_name)

    def _validate(self, val):
        self.spec.check(val)

    def read(self, text):
        """Value of an entry; QuantityError says what is wrong."""
        return self.spec.read(text)

    def show(self, value, digits=3):
        """Text of a value for the screen."""
        return self.spec.show(value, digits)

    def exact(self, value):
        """Shortest plain text that reads back to the same value (for links and files)."""
        return self.spec.write(value)


class Choice(Setting):
    """A parameter that is one key of a few."""

    __slots__ = []

    @property
    def objects(self):
        """The keys, in order."""
        return list(self.spec.keys)

    def offer(self, choices):
        """Other keys for this session: `choices` maps key -> title."""
        self.spec = replace(self.spec, choices=tuple(choices.items()))


class Quantity(Setting):
    """A number with a unit."""

    __slots__ = []

    @property
    def unit(self):
        """Unit, a key of `quantities.UNITS`."""
        return self.spec.unit

    @property
    def symbol(self):
        """Symbol in sums."""
        return self.spec.symbol

    @property
    def bounds(self):
        """Lowest and highest value, SI; None where there is no such bound."""
        return self.spec.low, self.spec.high

    @property
    def slider(self):
        """Ends of the slider, SI."""
        return self.spec.slider

    @slider.setter
    def slider(self, ends):
        self.spec = self.spec.at(slider=ends)

    @property
    def step(self):
        """Step of the slider and of the arrow keys, SI."""
        return self.spec.step

    @step.setter
    def step(self, step):
        self.spec = self.spec.at(step=step)

    def steps(self):
        """Number of steps of the slider."""
        return self.spec.steps()

    def at_step(self, index):
        """Value at a slider position."""
        return self.spec.at_step(index)

    def position(self, value):
        """Slider position nearest to `value`, held at the ends."""
        return self.spec.position(value)


_KINDS = {"number": Quantity, "choice": Choice}


def param_of(spec):
    """The parameter of a page that a spec makes.

    Parameters
    ----------
    spec : Spec

    Returns
    -------
    Setting
        A `Quantity` of a number, a `Choice` of a choice; its name on the page becomes that of
        its spec.
    """
    return _KINDS.get(spec.kind, Setting)(spec)


class PageState(param.Parameterized):
    """State of one page with a text form for links and files.

    A subclass declares `page` (its name in files) and parameters; those in `unlinked` and
    `name` are left out of links.
    """

    page = ""
    unlinked = ()
    #: Settings of the view that are as much of the scene as its numbers: undo brings them back.
    lasting = ()

    @cached_property
    def specs(self):
        """Name -> parameter, of this instance: looking one up through `param` is slow."""
        return {n: self.param[n] for n in self.param if n != "name"}

    def fields(self):
        """Names of the parameters that a link carries."""
        return [n for n in self.specs if n not in self.unlinked]

    @cached_property
    def passing(self):
        """Names of the settings that only say what is looked at and how: undo leaves them alone."""
        return [
            n
            for n, p in self.specs.items()
            if isinstance(p, Setting) and p.spec.part.startswith("view") and n not in self.lasting
        ]

    def watched(self):
        """Names of the parameters whose change redraws the page; all that a link may carry."""
        return self.fields()

    def showing(self, name):
        """Value that the control of a setting shows, and from which its arrow keys step."""
        return getattr(self, name)

    def of_part(self, *parts):
        """Names of the settings of a link that belong to parts of a scene, in order."""
        return [n for n in self.fields() if self.specs[n].spec.part in parts]

    def key(self, *parts):
        """Values that a result depends on, to compare or to keep a result under.

        Parameters
        ----------
        *parts : str
            Parts of a scene as specs name them; if none is given, all on which results depend:
            those whose name does not begin with `view`.

        Returns
        -------
        tuple
            Of all settings of a link that belong there, in order.
        """
        named = ((n, self.specs[n].spec.part) for n in self.fields())
        return tuple(
            getattr(self, n)
            for n, part in named
            if (part in parts if parts else not part.startswith("view"))
        )

    def made(self, cls, prefix="", **given):
        """A dataclass of the core, or a question, filled from the settings of the page.

        Parameters
        ----------
        cls : type
            A frozen dataclass. Each field whose name behind `prefix` is a setting of the page
            takes its value; so a field that is added to it is asked for by itself.
        prefix : str
            What the settings of the page have before the name of the field.
        **given
            Values of the fields that are not as the page has them.
        """
        own = (f.name for f in dataclass_fields(cls) if f"{prefix}{f.name}" in self.specs)
        return cls(**{**{n: getattr(self, f"{prefix}{n}") for n in own}, **given})

    def texts(self, changed_only=True):
        """Mapping of parameter name to text; only those off their default unless told."""
        out, defaults = {}, self.defaults() if changed_only else {}
        for name in self.fields():
            spec, value = self.specs[name], getattr(self, name)
            if changed_only and value == defaults.get(name, spec.default):
                continue
            out[name] = spec.exact(value)
        return out

    def query(self):
        """Query string (without `?`) that restores this scene."""
        return urlencode(self.texts(), quote_via=quote)

    def apply_texts(self, texts):
        """Set parameters from texts; unread parts keep their default.

        Returns
        -------
        list of str
            One sentence for each part that was not understood.
        """
        values, problems = {}, []
        known = self.fields()
        for name, text in texts.items():
            if name not in known:
                near = difflib.get_close_matches(str(name), known, 1)
                hint = f"; did you mean '{near[0]}'?" if near else "."
                problems.append(f"'{shortened(name)}' is not a setting of this page{hint}")
                continue
            spec = self.specs[name]
            try:
                values[name] = self.read_text(spec, text)
            except QuantityError as error:
                problems.append(str(error))
        self.param.update(**{**self.defaults(), **values})
        return problems

    def read_text(self, spec, text):
        """Value of one setting from the text of a link or file; QuantityError if it cannot be."""
        return spec.read(text)

    def defaults(self):
        """Value of every setting where nobody has set it."""
        return {n: self.specs[n].default for n in self.fields()}

    def reset(self):
        """Put every setting back to its default."""
        self.param.update(**self.defaults())

    def apply_query(self, query):
        """Restore from a query string; returns sentences for what was not understood."""
        if len(query) > MAX_QUERY:
            return [
                f"The link is {len(query)} characters long; at most {MAX_QUERY} are read, "
                "so the default scene is shown."
            ]
        try:
            pairs = parse_qsl(query.lstrip("?"), keep_blank_values=True, max_num_fields=100)
        except ValueError:
            return ["The link holds more than 100 parts, so the default scene is shown."]
        return self.apply_texts(dict(pairs))

    def restore(self, query):
        """Bring back a scene that this page has shown; returns as `apply_query`."""
        return self.apply_query(query)

    def to_file(self):
        """TOML text of the scene: a `[scene]` table, as in a circuit file."""
        scene = {"page": self.page, **self.texts(changed_only=False)}
        return files.write({"scene": scene}, f"Forktail scene, page {self.page}")

    def apply_file(self, text):
        """Restore from TOML text.

        Returns
        -------
        list of str
            Sentences for what was not understood.

        Raises
        ------
        QuantityError
            If it is no TOML, too long, or holds no scene of this page; nothing is changed.
        """
        return self.apply_texts(scene_of(files.read(text), self.page))


def scene_of(table, page):
    """The settings in the `[scene]` table of a file that was read, without the page's name.

    Parameters
    ----------
    table : dict
        As `core.files.read` gives it.
    page : str
        Name of the page that it must be of.

    Returns
    -------
    dict

    Raises
    ------
    QuantityError
        If there is no such table, or it is one of another page.
    """
    scene = table.get("scene")
    if not isinstance(scene, dict):
        raise QuantityError("the file has no [scene] table, so there is no scene to load.")
    scene = dict(scene)
    found = scene.pop("page", page)
    if found != page:
        raise QuantityError(
            f"the file holds a scene of the page '{shortened(found)}'; this is the page '{page}'."
        )
    return scene
