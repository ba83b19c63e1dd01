"""Param classes: the single source of truth for a page, and their URL and file round trip."""

import difflib
import tomllib
from functools import cached_property, lru_cache
from urllib.parse import parse_qsl, quote, urlencode

import param

from forktail.core.checks import QuantityError
from forktail.core.quantities import (
    format_quantity,
    format_temperature,
    parse_quantity,
    parse_temperature,
)

#: Longest query or file read, characters; a longer one is refused with a sentence.
MAX_QUERY = 4_000
MAX_FILE = 200_000


class Quantity(param.Number):
    """A number with a unit, hard `bounds`, and the range and step of its slider."""

    __slots__ = ["unit", "slider", "symbol"]
    _slot_defaults = dict(param.Number._slot_defaults, unit="", slider=(0.0, 1.0), symbol="")

    def __init__(self, default=0.0, *, unit="", slider=(0.0, 1.0), symbol="", **params):
        super().__init__(default=default, **params)
        self.unit, self.slider, self.symbol = unit, slider, symbol

    def __get__(self, obj, objtype=None):
        # a quantity is a plain number: no look for a generator, on the way of every event
        return param.Parameter.__get__(self, obj, objtype)

    def read(self, text):
        """Parse an entry for this quantity; QuantityError says what is wrong."""
        label = self.label or self.name
        if self.unit == "K":
            value = parse_temperature(text, label)
            low, high = self.bounds
            if not low <= value <= high:
                raise QuantityError(
                    f"{label}: '{text}' is out of range; allowed is "
                    f"{format_temperature(low)} to {format_temperature(high)}."
                )
            return value
        low, high = self.bounds
        return parse_quantity(text, self.unit, label, low, high)

    def show(self, value, digits=3):
        """Text of a value for the screen."""
        if self.unit == "K":
            return format_temperature(value)
        return format_quantity(value, self.unit, digits)

    def exact(self, value):
        """Shortest plain text that reads back to the same float (for links and files)."""
        return _exact(float(value), self.unit)

    def steps(self):
        """Number of steps of the slider."""
        low, high = self.slider
        return int(round((high - low) / self.step))

    def at_step(self, index):
        """Value at a slider position; rounding keeps 0.1 mV steps free of float dust."""
        low, _ = self.slider
        return float(f"{low + index * self.step:.9g}")

    def position(self, value):
        """Slider position nearest to `value`, held at the ends."""
        low, _ = self.slider
        return int(min(max(round((value - low) / self.step), 0), self.steps()))


@lru_cache(maxsize=4096)
def _exact(value, unit):
    if unit == "K":
        for text in (f"{value - 273.15:.6g}degC", f"{value!r}K"):
            if parse_temperature(text) == value:
                return text
    for digits in range(1, 18):
        text = format_quantity(value, unit, digits, ascii_only=True).replace(" ", "")
        if parse_quantity(text, unit) == value:
            return text
    return repr(value)


class PageState(param.Parameterized):
    """State of one page with a text form for links and files.

    A subclass declares `page` (its name in files) and parameters; those in `_private` and
    `name` are left out of links.
    """

    page = ""
    _private = ()

    @cached_property
    def specs(self):
        """Name -> parameter, of this instance: looking one up through `param` is slow."""
        return {n: self.param[n] for n in self.param if n != "name"}

    def fields(self):
        """Names of the parameters that a link carries."""
        return [n for n in self.specs if n not in self._private]

    def watched(self):
        """Names of the parameters whose change redraws the page; all that a link may carry."""
        return self.fields()

    def texts(self, changed_only=True):
        """Mapping of parameter name to text; only those off their default unless told."""
        out = {}
        for name in self.fields():
            spec, value = self.specs[name], getattr(self, name)
            if changed_only and value == spec.default:
                continue
            if isinstance(spec, Quantity):
                out[name] = spec.exact(value)
            elif isinstance(spec, param.Boolean):
                out[name] = "yes" if value else "no"
            else:
                out[name] = str(value)
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
                problems.append(f"'{_short(name)}' is not a setting of this page{hint}")
                continue
            spec = self.specs[name]
            try:
                values[name] = self._read(spec, text)
            except QuantityError as error:
                problems.append(str(error))
        self.param.update(**{**self._defaults(), **values})
        return problems

    def _read(self, spec, text):
        if isinstance(spec, Quantity):
            return spec.read(text)
        text = str(text)
        if isinstance(spec, param.Boolean):
            if text.lower() in ("yes", "true", "1"):
                return True
            if text.lower() in ("no", "false", "0"):
                return False
            raise QuantityError(f"{spec.name}: '{_short(text)}' is neither yes nor no.")
        if isinstance(spec, param.Selector):
            if text in spec.objects:
                return text
            raise QuantityError(
                f"{spec.name}: '{_short(text)}' is not known; allowed are "
                f"{', '.join(map(str, spec.objects))}."
            )
        return text

    def _defaults(self):
        return {n: self.specs[n].default for n in self.fields()}

    def reset(self):
        """Put every setting back to its default."""
        self.param.update(**self._defaults())

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

    def to_file(self):
        """TOML text of the scene: a `[scene]` table, as in a circuit file."""
        lines = [f"# Forktail scene, page {self.page}", "[scene]", f'page = "{self.page}"']
        lines += [f'{n} = "{t}"' for n, t in self.texts(changed_only=False).items()]
        return "\n".join(lines) + "\n"

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
        if len(text) > MAX_FILE:
            raise QuantityError(
                f"the file holds {len(text)} characters; at most {MAX_FILE} are read."
            )
        try:
            table = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise QuantityError(f"the file is not TOML: {error}.") from None
        scene = table.get("scene")
        if not isinstance(scene, dict):
            raise QuantityError("the file has no [scene] table, so there is no scene to load.")
        scene = dict(scene)
        page = scene.pop("page", self.page)
        if page != self.page:
            raise QuantityError(
                f"the file holds a scene of the page '{_short(page)}'; this is "
                f"the page '{self.page}'."
            )
        return self.apply_texts(scene)


def _short(text, most=40):
    text = str(text)
    return text if len(text) <= most else text[: most - 1] + "\u2026"
