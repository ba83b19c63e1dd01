"""Bars of shares: rebuilt only for other names, hidden while there is nothing."""

from forktail.ui.shares import SharesView


def test_equal_names_are_patched_and_others_drawn_again():
    view = SharesView("What makes it", "And nothing <else>.")
    view.show((("one", 75.0), ("a < b", 25.0)))
    drawn = view.markup
    assert "a &lt; b" in drawn and "nothing &lt;else&gt;" in drawn and "What makes it" in drawn
    assert view.sent["bar0"] == {"style": "width: 75.0%"}
    assert view.sent["part1"] == {"#": "25.0 %"}
    view.show((("one", 60.0), ("a < b", 40.0)))
    assert view.markup == drawn and view.sent["part0"] == {"#": "60.0 %"}
    view.show((("a < b", 90.0), ("one", 10.0)))
    assert view.markup != drawn
    view.show(())
    assert view.sent["shares"] == {"hidden": ""}
