"""Views of every kind of scene, by its key."""

from forktail.core.uses import USES
from forktail.lessons.scenes.board_views import BuiltViews
from forktail.lessons.scenes.capture_views import CaptureViews
from forktail.lessons.scenes.signals_views import SignalViews
from forktail.lessons.scenes.steer_views import SteerViews
from forktail.lessons.scenes.use_views import use_views

VIEWS = {
    "steer": SteerViews,
    "signals": SignalViews,
    **{use: use_views(use) for use in USES},
    "built": BuiltViews,
    "capture": CaptureViews,
}
