"""Messages of a browser, looked at once, so that no handler meets a shape it does not know."""

from forktail.core.checks import QuantityError
from forktail.core.files import MAX_SIZE

#: Most keys of a message; longest text in one; largest number.
MAX_KEYS, MAX_TEXT, MAX_NUMBER = 30, 2 * MAX_SIZE, 1e12
#: Kind -> keys that must be there, as text and as numbers.
_TEXTS = {
    "slide": ("name",),
    "step": ("name",),
    "entry": ("name", "text"),
    "edit": ("name", "text"),
    "choose": ("name", "value"),
    "flag": ("name",),
    "preset": ("name",),
    "drag": ("view",),
}
_NUMBERS = {"slide": ("pos",), "step": ("by",), "drag": ("x", "y")}
#: Keys under which more than a plain value may stand: their handlers look at it themselves.
_DEEP = ("record",)


def checked(message):
    """Return a message that is fit to be handled.

    Parameters
    ----------
    message : object
        What the browser sent. A message is a dict with a text `kind` and plain values.

    Returns
    -------
    dict

    Raises
    ------
    QuantityError
        If it is none, or lacks what its kind needs.
    """
    if (
        not isinstance(message, dict)
        or len(message) > MAX_KEYS
        or not isinstance(message.get("kind"), str)
    ):
        raise QuantityError("That message cannot be read; nothing was changed.")
    for key, value in message.items():
        if not (key in _DEEP or _plain(value)):
            raise QuantityError(
                f"The '{str(key)[:20]}' of that message cannot be read; nothing was changed."
            )
    kind = message["kind"]
    for key in _TEXTS.get(kind, ()):
        if not isinstance(message.get(key), str):
            raise QuantityError(f"That message lacks its '{key}'; nothing was changed.")
    for key in _NUMBERS.get(kind, ()):
        value = message.get(key)
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise QuantityError(f"That message lacks its '{key}'; nothing was changed.")
    return message


def _plain(value):
    if isinstance(value, str):
        return len(value) <= MAX_TEXT
    if isinstance(value, (int, float)):  # of which a flag is one; not-a-number is not smaller
        return abs(value) <= MAX_NUMBER
    return value is None
