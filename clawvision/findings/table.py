"""The tables of docs/findings.md, made from the data so that they cannot fall behind it."""

from __future__ import annotations

from clawvision.findings.book import AnimalRule, Condition, ContextCondition, Rule, packaged_rules
from clawvision.findings.profiles import LIMBS, load_profiles
from clawvision.findings.quantities import DERIVED
from clawvision.findings.values import PROFILE_VALUES, STATUSES

_HEAD = ["rule", "shown when", "what is said", "also explained by", "evidence and basis"]


def rules_table() -> str:
    """Return all rules, quantities, profile keys and packaged profiles as Markdown."""
    book = packaged_rules()
    parts = [
        "## Rules\n",
        _table(
            [
                "rule",
                "shown when",
                "what is said",
                "also explained by",
                "evidence and basis",
                "term (suspected)",
                "how soon",
            ],
            [_rule_row(rule) for rule in book.rule],
        ),
        "\n## Rules about the feet together\n",
        _table(
            _HEAD,
            [_animal_row(rule) for rule in book.animal],
        ),
        "\n## What is asked\n",
        _table(
            ["question", "asked where this is not known", "text"],
            [[f"`{q.code}`", q.unknown, q.text] for q in book.question],
        ),
        "\n## Quantities made from measures\n",
        _table(["quantity", "how"], [[f"`{each.name}`", each.formula] for each in DERIVED.values()]),
        "\n## Gait and signs\n",
        _table(
            ["what a person saw", "how soon", "veterinarian", "basis"],
            [
                [f"{r.kind} {', '.join(r.values)}", r.urgency, "yes" if r.veterinarian else "", r.basis]
                for r in book.observed
            ],
        ),
        "\n## Keys of a profile\n",
        _table(
            ["key", "unit", "meaning"],
            [[f"`{each.name}`", each.unit, each.meaning] for each in PROFILE_VALUES.values()],
        ),
        "\n## Packaged profiles\n",
        *[_profile(name) for name in load_profiles()],
    ]
    return "\n".join(parts)


def _rule_row(rule: Rule) -> list[str]:
    who = {"each": "each claw", "foot": "both claws"}.get(rule.claw, f"{rule.claw} claw")
    lame = f"; {rule.urgency_if_lame} if lame" if rule.urgency_if_lame else ""
    return [
        f"`{rule.code}` ({rule.id}), {who}",
        " and ".join(_condition(each) for each in rule.when),
        rule.text,
        rule.also_explained_by,
        f"{rule.strength}: {rule.basis}",
        rule.icar_term or "",
        rule.urgency + lame + ("; veterinarian before trimming" if rule.veterinarian else ""),
    ]


def _condition(condition: Condition | ContextCondition) -> str:
    if isinstance(condition, ContextCondition):
        return f"{condition.context} {' or '.join(condition.among)}"
    return f"`{condition.quantity}` {condition.is_.replace('_', ' ')} `{condition.limit}`"


def _animal_row(rule: AnimalRule) -> list[str]:
    when = [
        f"{each.code or each.family}: {each.lies}" + (f" ({each.claw} claw)" if each.claw else "") for each in rule.when
    ]
    when += [f"parity {' or '.join(rule.parity)}"] if rule.parity else []
    name = f"`{rule.code}` ({rule.id})"
    return [name, " and ".join(when), rule.text, rule.also_explained_by, f"{rule.strength}: {rule.basis}"]


def _profile(name: str) -> str:
    profile = load_profiles()[name]
    rows = [
        [limb, f"`{each.name}`", f"{each.value:g} {each.unit}", each.status, each.source]
        for limb in reversed(LIMBS)
        for each in profile.values[limb].values()
    ]
    head = f"### `{name}`: {profile.title}\n\n{profile.note}\n"
    return head + ("\n" + _table(["limb", "key", "value", "status", "source"], rows) + "\n" if rows else "")


def statuses_table() -> str:
    """Return what the letters of a value's status mean, as Markdown."""
    return _table(["status", "meaning"], [[status, meaning] for status, meaning in STATUSES.items()])


def _table(head: list[str], rows: list[list[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in lines)
