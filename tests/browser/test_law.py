"""The law beside the picture: a factor lights its part of the drawing, and the part its factor."""

import pytest
from playwright.sync_api import expect
from steer_driver import Steer


def lit(page):
    return page.evaluate(
        """() => {
      const walk = (scope) => [...scope.querySelectorAll("*")].flatMap((n) =>
        [n, ...(n.shadowRoot ? walk(n.shadowRoot) : [])]);
      return [...new Set(walk(document).filter((n) => n.matches("[data-part].lit"))
        .map((n) => `${n.closest("svg") ? "drawing" : "law"} ${n.dataset.part}`))].sort();
    }"""
    )


@pytest.mark.parametrize("path", ["?v_upper=-30mV&v_lower=20mV", "build"])
def test_factor_and_part_light_each_other_by_pointer_and_keys(open_page, path):
    page = open_page(path)
    factor = page.locator(".law button[data-part=lower]")
    factor.wait_for()
    page.wait_for_function("() => document.querySelector('script[src$=\"law.js\"]')")
    factor.focus()
    assert lit(page) == ["drawing lower", "law lower"]
    page.locator("#q-v_upper").focus()
    assert lit(page) == []
    part = page.locator("svg.schematic g[data-part=load]").first
    part.locator("rect").first.hover(position={"x": 2, "y": 12})
    expect(page.locator(".law button[data-part=load]")).to_have_class("factor lit")
    assert lit(page) == ["drawing load", "law load"]
    factor.click()
    expect(factor).to_have_attribute("aria-pressed", "true")
    page.mouse.move(3, 3)
    assert "drawing lower" in lit(page)  # it stays, until it is pressed again
    if path.startswith("?"):
        expect(page.locator("[data-id=law-out]")).to_have_text("\u2212390 mV")
        Steer(page).type("v_upper", "0mV")
        expect(page.locator("[data-id=law-upper]")).to_have_text("0.000")
        Steer(page).stage("pair")
        expect(page.locator(".law button")).to_have_count(4)
