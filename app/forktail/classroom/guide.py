"""What the presenter should know about the room, folded below the desk."""

from forktail.classroom.door import RULE
from forktail.classroom.people import MAX_CONNECTIONS
from forktail.ui.html import element
from forktail.ui.markup import MarkupView

_ROWS = (
    ("Who drives", RULE),
    (
        "Learners",
        "They open the short address, give no name and need no account. Their pages show "
        "what yours shows, as live scenes and not as pictures. Whoever moves a control "
        "explores, and "
        "comes back with one press. Nobody can drive but you.",
    ),
    (
        "Keys and clickers",
        "Page Down and Page Up step through the list of scenes on every page, as "
        "a clicker does. They are left alone while you type.",
    ),
    (
        "Hold screens",
        "Learners keep what they see while you move on. "
        "Releasing the screens brings them up to date.",
    ),
    ("Hide values", "Covers figures and sentences on every screen; the pictures stay."),
    (
        "Questions",
        "The right answer is computed from the scene, never typed in. An answer counts "
        "once. Nobody sees the answers of others before you show them.",
    ),
    (
        "What is kept",
        "Answers are held in memory under a random number that only the learner's "
        "browser knows; no name, and nothing on a disk of the server. Ending the lesson "
        "forgets it all. The results that you save hold counts only. Addresses are told apart "
        "only to slow down anyone who guesses codes; they are not stored in the clear.",
    ),
    (
        "If the server stops",
        "This window keeps the room. When the server is back, the room "
        "is recovered from here, with the same code, and learners rejoin by themselves. If the "
        "code is a new one, you are asked for it.",
    ),
    (
        "Size",
        f"{MAX_CONNECTIONS} connections at most. Start with --workers 2 or more for a large class.",
    ),
)


class RoomGuide(MarkupView):
    """How the room works: open, since without a room there is nothing else to look at."""

    def __init__(self, **params):
        super().__init__(**params)
        rows = "".join(
            element("tr", inside=element("th", name, scope="row") + element("td", text))
            for name, text in _ROWS
        )
        summary = element("summary", "How the room works")
        body = element("table", inside=element("tbody", inside=rows), class_="wide")
        self.rebuild(element("details", inside=summary + body, class_="numbers", open=""), {})
