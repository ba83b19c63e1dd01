"""The door of a room: its code, who has opened it, and who presents from now on."""

import hmac
import secrets
import unicodedata

from forktail.core.checks import QuantityError, shortened
from forktail.limits import Attempts

#: Signs of a generated code: none that is read for another.
CODE_SIGNS = "abcdefghjkmnpqrstuvwxyz23456789"
MIN_CODE, MAX_CODE = 6, 64

TAKEN_OVER = (
    "Another presenter opened the room with the code and drives now. "
    "Press Take over to drive again."
)
RULE = (
    "Whoever opened the room last drives. An earlier presenter is told so, and drives again "
    "with one press of Take over."
)


def make_code():
    """A fresh room code, such as `k7mf-p2xq`."""

    def pick():
        return "".join(secrets.choice(CODE_SIGNS) for _ in range(4))

    return f"{pick()}-{pick()}"


def folded(code):
    """What of a code counts: letters and digits, whether capital or small."""
    plain = unicodedata.normalize("NFKC", str(code)).casefold()
    return "".join(c for c in plain if c.isalnum())


def check_code(code):
    """Return a code fit for use, or raise QuantityError."""
    code, size = str(code).strip(), len(folded(code))
    if not MIN_CODE <= size or len(code) > MAX_CODE or not code.isprintable():
        raise QuantityError(
            f"a room code has at least {MIN_CODE} letters and digits, and at most {MAX_CODE} "
            f"characters; '{shortened(code, 20)}' has {size} and {len(code)}."
        )
    return code


class Door:
    """Whether the room is open, and with which key its presenter's browser comes back.

    Parameters
    ----------
    code : str
        What a presenter must know.
    clock : callable
        Seconds.
    """

    def __init__(self, code, clock):
        self.code, self.attempts = check_code(code), Attempts(clock)
        self.opened, self.key = False, ""

    def try_code(self, here, code):
        """Let a connection in with the code; QuantityError says why not."""
        refused = self.attempts.refusal(here.name)
        if refused:
            raise QuantityError(refused)
        if not hmac.compare_digest(folded(code).encode(), folded(self.code).encode()):
            left = self.attempts.miss(here.name, here.address)
            raise QuantityError(
                "That is not the code of this room. "
                + (
                    f"{left} more {'try' if left == 1 else 'tries'}."
                    if left
                    else "No more tries from here."
                )
            )

    def open(self):
        """Open it for a new presenter; the key of the one before fits no more."""
        self.opened, self.key = True, secrets.token_hex(16)

    def fits(self, key):
        """Whether a key is that of the present presenter."""
        return hmac.compare_digest(str(key).encode(), self.key.encode())

    def close(self):
        """Nobody presents any more."""
        self.opened, self.key = False, ""
