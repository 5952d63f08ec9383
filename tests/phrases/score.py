"""How a reading is judged against what its writer gave.

Right: steps and filters are those given (and the unread words, where the writer gave them; elsewhere a word such as
“crisp” may be shown as unread). Meant: so after the first did-you-mean is taken. Open: not so, and words are shown as
not understood. Silent: not so, and nothing is shown.

What batches write differently from the JSON contract is put into its form here: "not" for absent, "a|b" for
alternatives, a date as far as it was said, "not landed". A clock, an event and a corner have no field in the contract:
they count as read when their words are shown as unread, and the rest is right.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from typing import Any

OUTCOMES = ("landed", "partial", "blocked", "missed")
NO_FIELD = ("clock", "event")
Json = dict[str, Any]


def set_only(values: Json) -> Json:
    out = {k: v for k, v in values.items() if v not in (None, [], False)}
    if "alternatives" in out:
        out["alternatives"] = [set_only(a) for a in out["alternatives"]]
    return out


def _spread(step: Json) -> Json:
    """“a|b” as alternatives; “any” as the vocabulary's five roots."""
    step = {("absent" if k == "not" else k): v for k, v in step.items()}
    if step.get("outcome") == "not landed":
        step["outcome"] = "partial|blocked|missed"
    if step["technique"] == "any":
        step["technique"] = "punch|defence|footwork|feint|tie-up"
    variants = [step]
    for key in [k for k, v in step.items() if isinstance(v, str) and "|" in v]:
        variants = [{**v, key: value} for v in variants for value in step[key].split("|")]
    first, rest = set_only(variants[0]), [set_only(v) for v in variants[1:]]
    return {**first, "alternatives": rest} if rest else first


def _dates(said: str) -> list[str]:
    parts = [int(p) for p in said.split("-")]
    if len(parts) == 3:
        return [said, said]
    if len(parts) == 1:
        return [f"{said}-01-01", f"{said}-12-31"]
    after = datetime.date(parts[0] + parts[1] // 12, parts[1] % 12 + 1, 1)
    return [f"{said}-01", (after - datetime.timedelta(days=1)).isoformat()]


def wanted(entry: Json) -> Json:
    where = set_only(entry.get("where", {}))
    if "date" in where:
        where["dates"] = _dates(where.pop("date"))
    told = entry.get("steps", [])
    for key in ("place", "range"):
        if "|" in str(where.get(key, "")):  # a filter has one value; steps have alternatives
            either = where.pop(key)
            told = [{**s, key: either} for s in told]
    steps = [_spread(s) for s in told]
    corners = {s["fighter"] for s in steps} if all("fighter" in s for s in steps) and steps else set()
    corners |= {s.get("fighter") for s in steps}
    beyond = (
        any(k in where for k in NO_FIELD)
        or bool(corners & {"red", "blue"})
        or where.get("opponent") in ("red", "blue")
    )
    for key in NO_FIELD:
        where.pop(key, None)
    if where.get("opponent") in ("red", "blue"):
        del where["opponent"]
    for step in steps:
        if step.get("fighter") in ("red", "blue"):
            del step["fighter"]
    return {"steps": steps, "where": where, "unread": entry.get("unread"), "beyond": beyond}


def reading(found: Json) -> Json:
    return {
        "steps": [set_only(s) for s in found["steps"]],
        "where": set_only(found["where"]),
        "unread": found["unread"],
        "doubtful": found.get("doubtful", False),
    }


def _alike(step: Json) -> Json:
    """One form of what says the same: a straight of a known side may be called by its hand, a feint by what feints."""
    step = dict(step)
    if step["technique"] == "hand feint":
        step["technique"] = "feint"
    if step["technique"] in ("straight", "cross", "punch") and step.get("side"):
        step["technique"] = "straight" if step["technique"] != "punch" else "punch"
    if step["technique"] == "straight" and step.get("stance") and step.get("side"):
        step["technique"] = "punch"
    if "alternatives" in step:
        step["alternatives"] = [_alike(a) for a in step["alternatives"]]
    return step


def same(want: Json, read: Json) -> bool:
    if want["unread"] is not None and sorted(want["unread"]) != sorted(read["unread"]):
        return False
    if want["beyond"] and not read["unread"]:
        return False
    if want["where"] != read["where"]:
        return False
    return [_alike(s) for s in want["steps"]] == [_alike(s) for s in read["steps"]]


def judge(entry: Json, read: Callable[[str], Json]) -> tuple[str, Json]:
    """(right, meant, open or silent; the reading)."""
    want, found = wanted(entry), read(entry["phrase"])
    said = reading(found)
    if same(want, said):
        return "right", said
    if any(
        same(wanted({**entry, "steps": other}), said) for other in entry.get("or", ())
    ):  # as fair a reading
        return "right", said
    meant = {m["text"]: m["meant"][0] for m in found.get("meant", [])}
    if meant and set(said["unread"]) & set(meant):
        corrected = entry["phrase"]
        for text, instead in meant.items():
            corrected = corrected.replace(text, instead)
        if same({**want, "unread": None}, reading(read(corrected))):
            return "meant", said
    return ("open" if said["unread"] else "silent"), said


def short(read: Json) -> str:
    """A reading on one line."""
    steps = []
    for step in read["steps"]:
        told = {k: v for k, v in step.items() if k not in ("by", "technique", "alternatives", "absent")}
        values = [
            f"@{v.split()[-1]}" if k == "fighter" else f"within={v}" if k == "within" else str(v)
            for k, v in told.items()
        ]
        others = "".join("|" + _other(a) for a in step.get("alternatives", []))
        steps.append(
            f"{step['by']}:"
            + ("no " if step.get("absent") else "")
            + " ".join([step["technique"], *values])
            + others
        )
    said = sorted(
        f"{k}={str(v).split()[-1] if k in ('fighter', 'opponent') else v}" for k, v in read["where"].items()
    )
    where = " {" + " ".join(said) + "}" if said else ""
    return "; ".join(steps) + where + (" ?" + "/".join(read["unread"]) if read["unread"] else "")


def plain(text: str) -> list[object]:
    """A reading on one line, as what it says whatever the order of its words."""
    rest, _, unread = text.partition("?")
    told, _, where = rest.partition("{")
    steps = [
        tuple(sorted(part.split())) for step in told.split(";") if step.strip() for part in step.split("|")
    ]
    return [
        steps,
        sorted(
            where.replace("[", "").replace("]", "").replace("'", "").replace(", ", ",").strip(" }").split()
        ),
        unread.strip(),
    ]


def _other(step: Json) -> str:
    rest = (
        f"@{v.split()[-1]}" if k == "fighter" else str(v)
        for k, v in step.items()
        if k not in ("by", "absent", "technique", "within")
    )
    return " ".join((step["technique"], *rest))


def words(counts: Sequence[str]) -> str:
    total = max(1, len(counts))
    return "  ".join(
        f"{name} {counts.count(name):4} {counts.count(name) / total:6.1%}"
        for name in ("right", "meant", "open", "silent")
    )
