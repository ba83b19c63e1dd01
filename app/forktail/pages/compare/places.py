"""The picture of where the probes of the inputs go."""

_LINE = 'fill="none" stroke="currentColor" stroke-width="1.6"'


def picture():
    """SVG of one input from generator to base lines, both places marked A and B.

    Symbols after IEC 60617: a resistor is a box, a capacitor two plates.
    """
    return (
        '<svg viewBox="0 0 430 150" role="img" aria-label="One input: generator, source '
        "resistance, termination, coupling capacitor, base lines. A: across the termination. "
        'B: plus line against minus line.">'
        f"<g {_LINE}>"
        '<circle cx="40" cy="75" r="17"/><path d="M31 75q4.5 -9 9 0t9 0"/>'
        '<path d="M40 58V30H90M40 92v28"/><path d="M30 120h20M34 125h12M38 130h4"/>'
        '<rect x="110" y="22" width="44" height="16"/><path d="M90 30h20M154 30h60"/>'
        '<rect x="176" y="54" width="16" height="44"/><path d="M184 30v24M184 98v22"/>'
        '<path d="M174 120h20M178 125h12M182 130h4"/>'
        '<path d="M214 18v24M222 18v24M222 30h98"/>'
        '<path d="M320 30h40M320 110h40"/><path d="M290 110h30"/>'
        '<path d="M260 98v24M268 98v24M268 110h22M260 110h-20v10M230 120h20M234 125h12M238 130h4"/>'
        '<rect x="360" y="18" width="56" height="104" rx="4"/></g>'
        '<g fill="currentColor" font-size="13">'
        '<text x="14" y="148">generator</text><text x="108" y="16">source</text>'
        '<text x="196" y="12">coupling</text><text x="372" y="74">bases</text>'
        '<text x="336" y="25">+</text><text x="336" y="105">\u2212</text></g>'
        '<g font-size="15" font-weight="700">'
        '<circle cx="184" cy="30" r="4.5" class="spot"/>'
        '<text x="163" y="52" fill="currentColor">A</text>'
        '<circle cx="306" cy="30" r="4.5" class="spot"/>'
        '<circle cx="306" cy="110" r="4.5" class="spot"/>'
        '<text x="300" y="76" fill="currentColor">B</text></g></svg>'
        "<p><b>A, at the generator:</b> across its termination, while the board runs; without a "
        "termination, before the resistor that stands for its source. <b>B, at the base lines:</b> "
        "plus line less minus line while the board runs; with one line driven, the driven line "
        "against ground.</p>"
    )
