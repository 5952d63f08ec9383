"""A fight's periods and its film's parts, to be changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flask import Blueprint, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from cliplib import PART_KINDS, BusyError, FightFolderError, FightRow, InputError, LogError, StorageError

from ..site.here import cuts, library

page = Blueprint("stretches", __name__, url_prefix="/fights/<int:fight_id>")

_EMPTY = 3


@dataclass(frozen=True)
class Table:
    """`rows`: the texts of each row by key, some of them empty for what is to be added."""

    name: str
    title: str
    keys: tuple[str, ...]
    rows: tuple[dict[str, str], ...]
    seen: str


@page.get("/stretches")
def show(fight_id: int) -> ResponseReturnValue:
    return _page(fight_id)


@page.post("/stretches/<any(period, part):name>")
def change(fight_id: int, name: str) -> ResponseReturnValue:
    stretches = library().logging.stretches
    keys = stretches.keys(name)
    columns = [request.form.getlist(key)[:500] for key in keys]
    if len({len(column) for column in columns}) != 1:
        raise InputError("The rows of this form are not whole; open the page again.")
    rows = [dict(zip(keys, row, strict=True)) for row in zip(*columns, strict=True)]
    try:
        stretches.put(fight_id, name, rows, seen=request.form.get("seen", ""))
    except (BusyError, FightFolderError, LogError, StorageError) as problem:
        return _page(fight_id, str(problem), name, rows)
    cuts().later(fight_id)
    return redirect(url_for("stretches.show", fight_id=fight_id, done=name), 303)


def _page(
    fight_id: int, problem: str = "", typed: str = "", rows: Sequence[dict[str, str]] = ()
) -> ResponseReturnValue:
    lib = library()
    fight: FightRow = lib.finding.fight(fight_id)
    tables, both = [], lib.logging.stretches.both(fight_id)
    for name, title in (("period", "Periods of the fight"), ("part", "Parts of the film")):
        told = both[name]
        kept = list(rows) if name == typed else [dict(row) for row in told.rows] + [{}] * _EMPTY
        tables.append(Table(name, title, told.keys, tuple(kept), told.seen))
    return render_template(
        "stretches.html",
        fight=fight,
        tables=tables,
        kinds=PART_KINDS,
        problem=problem,
        done=request.args.get("done", "") in ("period", "part"),
    ), 400 if problem else 200
