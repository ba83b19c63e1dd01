"""Runs lesson steps against the core: scenes, right answers, tasks, figures in texts."""

import hashlib
import re
from dataclasses import dataclass

from forktail.core.checks import QuantityError
from forktail.core.quantities import parse_quantity
from forktail.lessons.format import Prediction, Step
from forktail.lessons.grammar import Expression
from forktail.lessons.quantity import DIMENSIONS, Figure, base_unit, figure, say_unit, show
from forktail.lessons.scenes.kinds import figures
from forktail.ui.state import Quantity

_PLACEHOLDER = re.compile(r"([^{}:]{1,200})(?::([^{}]{0,20}))?")


def draw_of(step, seed):
    """The draw that a learner with this seed gets: settings, {} for a step without draws.

    Parameters
    ----------
    step : Step
    seed : int or str
    """
    if not step.draws:
        return {}
    digest = hashlib.sha256(f"{seed}/{step.id}".encode()).digest()
    return step.draws[int.from_bytes(digest[:4], "big") % len(step.draws)]


def start_state(step, draw):
    """A fresh state in which the step starts.

    Raises
    ------
    QuantityError
        If a setting is not understood.
    """
    return _state(step, {**step.start, **draw})


def _state(step, texts):
    state = step.kind.make_state()
    problems = state.apply_texts(texts)
    if problems:
        raise QuantityError(" ".join(problems))
    return state


def after_texts(step, draw):
    """Settings after the announced change; a value that begins with `=` is computed.

    Raises
    ------
    QuantityError
        If such a value cannot be computed or is not of the kind that its setting wants.
    """
    texts = {**step.start, **draw}
    change = step.predict.change if step.predict else {}
    if not any(t.startswith("=") for t in change.values()):
        return {**texts, **change}
    state = start_state(step, draw)
    known = figures(step.kind, state)
    for name, text in change.items():
        if text.startswith("="):
            spec = state.param[name] if name in state.fields() else None
            answer = Expression(text[1:]).value(known)
            if not isinstance(spec, Quantity) or not isinstance(answer, Figure):
                raise QuantityError(
                    f"'{name}' cannot be computed: only a setting with a number can be."
                )
            wanted = figure(0.0, spec.unit).dimension
            if answer.dimension != wanted:
                raise QuantityError(
                    f"'{name}' wants {say_unit(wanted)}; "
                    f"'{text}' gives {say_unit(answer.dimension)}."
                )
            text = spec.exact(float(f"{answer.value:.9g}"))
        texts[name] = text
    return texts


def after_state(step, draw):
    """State after the announced change of the prediction."""
    return _state(step, after_texts(step, draw))


@dataclass(frozen=True)
class Situation:
    """One step with one draw: what is known before and after, and the right answer."""

    step: Step
    draw: dict
    before: dict
    after: dict

    @classmethod
    def of(cls, step, draw):
        """Solve both scenes of a step; QuantityError if they cannot be."""
        before = after = figures(step.kind, start_state(step, draw))
        if step.predict and step.predict.change:
            after = figures(step.kind, after_state(step, draw))
        return cls(step, draw, before, {**after, **named("before", before)})

    def right_choices(self):
        """Indices of the choices that hold after the change."""
        return [n for n, c in enumerate(self.step.predict.choices) if c.when.holds(self.after)]

    def right_number(self):
        """The right number as a `Figure`."""
        right = self.step.predict.number.value(self.after)
        if not isinstance(right, Figure):
            raise QuantityError("'number' is not a number.")
        unit = base_unit(self.step.predict.unit)
        if right.dimension != DIMENSIONS[unit]:
            raise QuantityError(
                f"'number' is {say_unit(right.dimension)}, 'unit' is "
                f"{self.step.predict.unit or 'that of a plain number'}."
            )
        return Figure(right.value, right.dimension, unit)

    def room(self, right):
        """How far a right number may be off, SI."""
        tolerance = self.step.predict.tolerance
        if tolerance.unit == "%" and self.step.predict.unit != "%":
            return abs(tolerance.value * right.value)
        if tolerance.dimension != right.dimension:
            raise QuantityError(
                f"'tolerance' is {say_unit(tolerance.dimension)}, the answer is "
                f"{say_unit(right.dimension)}."
            )
        return tolerance.value

    def answer_text(self):
        """The right answer as it is shown: the index of the choice, or a text."""
        if self.step.predict.choices:
            return self.right_choices()[0]
        return show(self.right_number())


@dataclass(frozen=True)
class Verdict:
    """Whether an answer is right, and the hint if it is not (a `Text`)."""

    right: bool
    hint: object = None


def judge_choice(situation, index):
    """Judge a choice.

    Raises
    ------
    QuantityError
        If there is no such choice.
    """
    choices = situation.step.predict.choices
    if not isinstance(index, int) or isinstance(index, bool) or not 0 <= index < len(choices):
        raise QuantityError("Pick one of the choices first.")
    right = index in situation.right_choices()
    return Verdict(right, None if right else choices[index].hint)


def read_answer(predict: Prediction, text):
    """Read a typed number with its unit as a `Figure`.

    Raises
    ------
    QuantityError
        If it cannot be read, lacks its unit or has another.
    """
    unit = base_unit(predict.unit)
    text = str(text).strip()
    if not text:
        raise QuantityError(
            "Type a value first" + (f", with its unit, such as 5 {predict.unit}." if unit else ".")
        )
    if unit not in ("", "%") and re.fullmatch(r"[-+\u2212]?[\d.,\s]+(?:[eE][-+]?\d+)?", text):
        raise QuantityError(
            f"'{text[:20]}' has no unit; write it with one, such as {text[:20]} {predict.unit}."
        )
    return figure(parse_quantity(text, unit, "Your answer"), unit)


def judge_number(situation, text):
    """Judge a typed number; QuantityError if it cannot be read (that is no try)."""
    predict = situation.step.predict
    answer, right = read_answer(predict, text), situation.right_number()
    if abs(answer.value - right.value) <= situation.room(right) * (1 + 1e-9):
        return Verdict(True)
    known = {**situation.after, "answer": answer, "right": right}
    for wrong in predict.wrong:
        if wrong.when.holds(known):
            return Verdict(False, wrong.hint)
    return Verdict(False, predict.hint)


def task_holds(step, state):
    """Whether the task of a step is met by a state."""
    return step.task.condition.holds(figures(step.kind, state))


def named(prefix, known):
    """The same quantities as `prefix.NAME`, such as `now.v_out` or `before.v_out`."""
    return {f"{prefix}.{n}": v for n, v in known.items() if "." not in n}


def fill(inner, known):
    """Text of a placeholder `{inner}` over known names.

    Parameters
    ----------
    inner : str
        `v_out`, `v_out:2`, `share_q1:%`, `v_out:+` or an expression.
    known : mapping
        Name -> `Figure`, text or bool.

    Raises
    ------
    QuantityError
        If it cannot be read or computed.
    """
    expression, digits, sign, percent = placeholder(inner)
    if not expression.names and re.fullmatch(r"[-+]?[\d.]+ ?\S*", expression.text):
        return expression.text.replace("-", "\u2212").replace(" ", "\u00a0")
    return show(expression.value(known), digits, sign, percent)


def placeholder(inner):
    """Parse a placeholder: (Expression, digits, with sign, in per cent)."""
    match = _PLACEHOLDER.fullmatch(inner)
    if not match:
        raise QuantityError(f"'{{{inner[:40]}}}' is no figure; write {{v_out}} or {{v_out:2}}.")
    digits, sign, percent = 3, False, False
    for word in (match[2] or "").replace(",", " ").split():
        if re.fullmatch(r"[1-9]", word):
            digits = int(word)
        elif word in ("+", "%"):
            sign, percent = sign or word == "+", percent or word == "%"
        else:
            raise QuantityError(
                f"'{{{inner[:40]}}}' ends in ':{word}'; after the colon you "
                "can write a number of digits, + and %."
            )
    return Expression(match[1].strip()), digits, sign, percent
