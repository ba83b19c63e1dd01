"""Where a view of a lesson stands beside the text."""


def place(name, caption, look, root="", exports=True):
    """Jinja text that places one view.

    `look` is `main` (the picture), `square` or `strip` (a plot beside it or below it), all with
    a caption and exports; `card` (a few readings, on a phone a page of its own beside the
    plots); or `words`, bare and across the whole width. `root` is the name of the view among the
    roots of the page, where that differs from `name`.
    """
    root = root or name
    if look == "words":
        cls, inner = "view view-words", f"{{{{ embed(roots.{root}) }}}}"
    elif look == "card":
        cls = "view view-card"
        inner = (
            f'<section class="plot" aria-label="{caption}">{{{{ embed(roots.{root}) }}}}</section>'
        )
    else:
        cls = f"view view-plot view-{look}"
        kinds = "" if exports else ', "", ("png", "svg")'
        inner = f'{{{{ plot("{root}", "{caption}"{kinds}) }}}}'
    return f'<div class="{cls}" data-view="{name}">{inner}</div>\n'
