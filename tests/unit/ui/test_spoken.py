"""What follows a scene is spoken once it rests: a region that is patched waits for a pause."""

import re
from pathlib import Path

import forktail

#: Start tag of a region that a screen reader hears, as the views write it, over lines of source.
REGION = re.compile(r"<\w+[^<>]*(?:role=\"status\"|aria-live=)[^<>]*>")


def test_regions_that_are_patched_are_spoken_once_a_pause():
    found, seen = [], 0
    for part in ("pages", "lessons", "ui"):
        for file in sorted(Path(next(iter(forktail.__path__)), part).rglob("*.py")):
            text = re.sub(r"'\s*\n\s*f?'", "", file.read_text(encoding="utf-8"))
            for tag in REGION.findall(text):
                seen += 1
                if "data-id=" in tag and "data-polite" not in tag:
                    found.append(f"{file.name}: {tag}")
    assert seen >= 6 and not found, "\n".join(found)
