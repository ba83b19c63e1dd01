"""What a room is led through: the scene shown, the pointer, the list of scenes to step through.

A scene travels as a path and the query text of the page's state, never as a picture.
"""

from forktail.core.checks import QuantityError
from forktail.ui.state import MAX_QUERY

MAX_SCENES = 100


def read_scene(scene, paths):
    """A scene as it may be shown: `path`, `query`, and `inner` where a lesson holds a scene.

    Raises
    ------
    QuantityError
        If it is none, is too long, or its page cannot be shown.
    """
    if scene is None:
        return None
    try:
        path, query = str(scene["path"]), str(scene["query"]).lstrip("?")
        inner = str(scene.get("inner", ""))
    except (KeyError, TypeError, AttributeError):
        raise QuantityError("A scene has a path and a query.") from None
    if path not in paths:
        raise QuantityError(f"The page '{path[:40]}' cannot be shown to a room.")
    longest = max(len(query), len(inner))
    if longest > MAX_QUERY:
        raise QuantityError(
            f"The scene is {longest} characters long; at most {MAX_QUERY} can be shown."
        )
    return {"path": path, "query": query, **({"inner": inner} if inner else {})}


def read_scenes(scenes, paths):
    """A list of scenes with titles."""
    if not isinstance(scenes, list) or len(scenes) > MAX_SCENES:
        raise QuantityError(f"The list of scenes holds at most {MAX_SCENES}.")
    return [
        {"title": str(s.get("title", ""))[:120] or "Scene", **read_scene(s, paths)}
        for s in scenes
        if isinstance(s, dict)
    ]


def read_spot(spot):
    """A place in the page that the pointer is at."""
    try:
        spot = {
            "at": str(spot["at"])[:200],
            "svg": bool(spot.get("svg")),
            "x": round(float(spot["x"]), 4),
            "y": round(float(spot["y"]), 4),
        }
    except (KeyError, TypeError, ValueError, AttributeError):
        raise QuantityError("The position of the pointer cannot be read.") from None
    if not all(abs(spot[k]) < 1e5 for k in "xy"):
        raise QuantityError("The position of the pointer cannot be read.")
    return spot


class Stage:
    """What the presenter shows. Every method returns the parts of the room that it changed.

    Attributes
    ----------
    live, scene : dict or None
        What the presenter's page shows, and what the learners' do: the two differ while held.
    frozen, veil : bool
        Screens are held; values are hidden.
    scenes, index : list of dict, int
        Scenes to step through, and which of them was shown last (-1: none).
    """

    def __init__(self, paths):
        self.paths = tuple(paths)
        self.scene = self.live = self.pointer = None
        self.frozen = self.veil = False
        self.scenes, self.index = [], -1

    def show(self, scene):
        """The presenter's page shows a scene: `path`, `query`, `inner`."""
        self.live = read_scene(scene, self.paths)
        if self.frozen or self.live == self.scene:
            return ()
        if self.scene is None or self.scene["path"] != self.live["path"]:
            self.pointer = None
        self.scene = self.live
        return ("scene",)

    def point(self, spot):
        """Move the pointer to `spot` (a place in the page), or take it away with None."""
        spot = None if spot is None else read_spot(spot)
        if spot == self.pointer:
            return ()
        self.pointer = spot
        return ("pointer",)

    def freeze(self, on):
        """Hold the learners' screens while the presenter moves on; letting go catches up."""
        self.frozen = bool(on)
        if self.frozen or self.live == self.scene:
            return ("room", "desk", "snapshot")
        self.scene = self.live
        return ("room", "desk", "snapshot", "scene")

    def hide(self, on):
        """Cover the values on all screens, or show them again."""
        self.veil = bool(on)
        return ("room", "desk", "snapshot")

    def prepare(self, scenes):
        """Set the list of scenes that the presenter steps through."""
        self.scenes, self.index = read_scenes(scenes, self.paths), -1
        return ("desk", "snapshot")

    def step(self, index):
        """The presenter went to scene `index` of the list."""
        if not isinstance(index, int) or not 0 <= index < len(self.scenes):
            raise QuantityError(
                f"There is no scene {index + 1 if isinstance(index, int) else ''}"
                f" in the list; it holds {len(self.scenes)}."
            )
        self.index = index
        return ("desk", "snapshot")

    def snapshot(self):
        """Plain data from which `restore` makes this stage again."""
        return {
            "scene": self.live,
            "frozen": self.frozen,
            "veil": self.veil,
            "scenes": self.scenes,
            "index": self.index,
        }

    @classmethod
    def restore(cls, data, paths):
        """A stage from a snapshot; ValueError if it cannot be read."""
        made = cls(paths)
        made.scene = made.live = read_scene(data.get("scene"), paths)
        made.frozen, made.veil = bool(data.get("frozen")), bool(data.get("veil"))
        made.scenes = read_scenes(data.get("scenes") or [], paths)
        index = int(data.get("index", -1))
        made.index = index if -1 <= index < len(made.scenes) else -1
        return made
