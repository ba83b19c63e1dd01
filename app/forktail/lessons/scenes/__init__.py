"""Scenes beside the text of a lesson: their kinds, states, figures and views."""

from forktail.lessons.scenes import figures as _opened  # noqa: F401  registers every kind
