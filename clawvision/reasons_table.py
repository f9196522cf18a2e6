"""docs/messages.md, made from the table of reasons so that it cannot fall behind it.

``python -m clawvision.reasons_table > docs/messages.md``
"""

from __future__ import annotations

from string import Formatter

from clawvision.reasons import REASONS

_HEAD = """# Messages

Made from the program's own table by `python -m clawvision.reasons_table`; do not edit it by hand.

What the program can say of a photo, in the annotated picture, in the summary at the end of a run, and in
`assessment.json` (`reasons[]`). Words in *italics* are filled in. What each effect means:

* **refused**: nothing was measured; take the photo again as told.
* **review**: measured, but a person must compare the annotated picture with the photo before using a number.
* **note**: measured; worth knowing.
"""
_EFFECTS = ("refused", "review", "note")


def messages_page() -> str:
    """Return the page as Markdown: every reason with its code, effect, message and advice."""
    parts = [_HEAD]
    for effect in _EFFECTS:
        parts.append(f"## {effect.capitalize()}\n\n| code | message | what to do |\n| --- | --- | --- |")
        kinds = [kind for kind in REASONS.values() if kind.effect == effect]
        parts += [f"| `{kind.code}` | {_words(kind.message)} | {_words(kind.advice)} |" for kind in kinds]
        parts.append("")
    return "\n".join(parts)


def _words(template: str) -> str:
    """Return a wording's template with its fields as words in italics."""
    pieces = []
    for text, field, _, _ in Formatter().parse(template):
        pieces.append(text.replace("|", "\\|"))
        if field is not None:
            pieces.append(f"*{field.replace('_', ' ')}*")
    return "".join(pieces)


if __name__ == "__main__":
    print(messages_page(), end="")
