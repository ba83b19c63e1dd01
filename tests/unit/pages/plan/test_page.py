"""The page of a bench plan: whole, escaped, and honest about whose values it shows."""

import re
from dataclasses import replace

import pytest

from forktail.core.bench.plan import PlanQuestion, bench_plan
from forktail.core.built.circuit import Circuit
from forktail.pages.plan import words
from forktail.pages.plan.page import page_head, plan_html, problem_body
from forktail.pages.plan.state import plan_scene, question_of_query


@pytest.fixture(scope="module")
def plan():
    return bench_plan(question_of_query("builds=20")[0])


def test_page_needs_nothing_else_and_shows_all(plan):
    html = plan_html(plan, plan_scene(plan))
    assert not re.search(r'(?:src|href)="(?!#|data:)', html) and "http://" not in html.replace(
        "http://www.w3.org/2000/svg", ""
    )
    assert "<script" not in html
    for heading in (
        "Circuit",
        "Before you begin",
        "Supply and generators",
        "Parts",
        "Build order and checks",
        "Test points",
        "What the scope should show",
        "Trims",
        "Faults and what they show",
        "What the numbers rest on",
    ):
        assert f"<h2>{heading}</h2>" in html
    for name in ("TP2", "TP14", "R19", "Q7", "C9"):
        assert f">{name}<" in html
    assert html.count('class="chart"') == 4 and ">large<" not in html
    assert "nan" not in re.sub(r"base64,[^)]*|[a-z]*nan[a-z]+|finance", "", html.lower())


def test_page_escapes_what_a_file_says():
    circuit = Circuit(title='<script>alert("x")</script>', note="a & b <i>")
    plan = bench_plan(PlanQuestion(circuit, builds=10))
    html = plan_html(plan, plan_scene(plan), ["<b>note</b>"])
    assert "<script>" not in html and "<i>" not in html and "<b>" not in html
    assert "a &amp; b &lt;i&gt;" in html


def test_head_and_problem_escape_too():
    assert "<script>" not in page_head("<script>", "<script>")
    body = problem_body("<b>", 'build?title="><script>')
    assert "<b>" not in body and "<script>" not in body and "Back to Build" in body


def test_whose_values_a_plan_shows(plan):
    assert words.origin_line(plan).startswith("All values of this circuit")
    changed = replace(plan, wanted=replace(plan.wanted, r_load_left=2300.0, r_load_right=2300.0))
    assert words.origin_line(changed).startswith("2 values changed from our Bat-call mixer")
    own = replace(plan, wanted=Circuit(title="My receiver"))
    assert "invented" not in words.origin_line(own)
