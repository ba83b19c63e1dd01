"""The law as a row of factors with their numbers; `assets/ui/law.js` lights each on the drawing."""

from forktail.core.quantities import format_fixed, format_quantity, format_signed
from forktail.ui.html import element
from forktail.ui.markup import MarkupView


def symbol(text):
    """Markup of a symbol: `v_upper` with its index low; what has none stays."""
    head, _, tail = text.partition("_")
    return element("i", head) + (element("sub", tail) if tail else "")


def split(name):
    """Markup of tanh(v_NAME / 2 VT)."""
    return f"tanh({symbol(name)}\u202f/\u202f2{symbol('V_T')})"


def factor(part, face, data_id):
    """One factor: what it is called, its number, and the part of the drawing that it is."""
    return element(
        "button",
        inside=element("span", inside=face, class_="what") + element("b", data_id=data_id),
        type="button",
        class_="factor",
        data_part=part,
        aria_pressed="false",
    )


def written(value, unit):
    """Text of the number of a factor: a voltage with its sign, a plain one with three decimals."""
    if not unit:
        return format_fixed(value, 3)
    return format_signed(value, unit) if unit == "V" else format_quantity(value, unit)


OUT = ("out", symbol("v_out"), "law-out")
LOAD = ("load", symbol("r_load"), "law-load")
TAIL = ("tail", symbol("i_tail"), "law-tail")
UPPER = ("upper", split("v_upper"), "law-upper")
LOWER = ("lower", split("v_lower"), "law-lower")
TIMES = "\u00d7"
#: The law of the full cell.
PRODUCT = (OUT, "=", TAIL, TIMES, LOAD, TIMES, UPPER, TIMES, LOWER)


class LawView(MarkupView):
    """Row of factors; `pieces` are triples for `factor`, or texts between them."""

    def __init__(self, **params):
        super().__init__(**params)
        self._pieces = None

    def show(self, pieces, numbers, rest=""):
        """Show the law.

        Parameters
        ----------
        pieces : tuple
            Of (part, face, data-id) and of texts.
        numbers : dict
            data-id -> (value, unit); without a unit a plain factor.
        rest : str
            What the law leaves out here; "" if nothing.
        """
        values = {i: {"#": written(*number)} for i, number in numbers.items()}
        values["law-rest"] = {"#": rest, "hidden": None if rest else ""}
        if pieces == self._pieces:
            self.update(values)
            return
        self._pieces = pieces
        row = "".join(
            element("span", p, class_="between") if isinstance(p, str) else factor(*p)
            for p in pieces
        )
        self.rebuild(
            element(
                "div",
                inside=row + element("p", class_="law-rest", data_id="law-rest", hidden=True),
                class_="law",
                role="group",
                aria_label="The law with its numbers now",
            ),
            values,
        )
