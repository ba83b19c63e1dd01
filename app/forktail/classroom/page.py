"""The Class page, where a presenter runs the room, and the page that learners enter by."""

from forktail.classroom.door import RULE
from forktail.classroom.guide import RoomGuide
from forktail.resources import asset_text
from forktail.ui.html import escaped
from forktail.ui.shell import page, route


@route("/class", "Class", 6)
def desk():
    """Build the presenter's desk for a new session; its live parts come over the room's socket."""
    body = asset_text("pages/class/body.html").replace("[[RULE]]", escaped(RULE))
    page("class", "Class", {"guide": RoomGuide()}, body=body)


def join_page():
    """HTML of the learners' entry: a page without a session."""
    return asset_text("pages/class/join.html")
