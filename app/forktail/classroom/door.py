"""The door of a room: its code, who has opened it, and who presents from now on."""

import hmac
import secrets

from forktail.core.checks import QuantityError
from forktail.limits import Attempts

#: Signs of a generated code: none that is read for another.
CODE_SIGNS = "abcdefghjkmnpqrstuvwxyz23456789"
MIN_CODE, MAX_CODE = 6, 64

TAKEN_OVER = (
    "Another presenter opened the room with the code and drives now. "
    "You drive again when you press Take over."
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


def check_code(code):
    """Return a code fit for use, or raise QuantityError."""
    code = str(code).strip()
    if not MIN_CODE <= len(code) <= MAX_CODE or not code.isprintable():
        raise QuantityError(
            f"a room code has {MIN_CODE} to {MAX_CODE} signs; '{code[:20]}' has {len(code)}."
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

    def try_code(self, name, code):
        """Let a connection in with the code; QuantityError says why not."""
        refused = self.attempts.refusal(name)
        if refused:
            raise QuantityError(refused)
        if not hmac.compare_digest(str(code).strip().encode(), self.code.encode()):
            left = self.attempts.miss(name)
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
