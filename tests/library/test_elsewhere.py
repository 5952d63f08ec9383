"""What beat an attack in other fights, and clips that are alike in other fights."""

from __future__ import annotations

from pathlib import Path

import pytest
from statsmodels.stats.proportion import proportion_confint

from cliplib import InputError, Library

HEAD = "round,clock,exchange,fighter,action,outcome\n"


def fight(folder: Path, title: str, red: tuple[str, str], blue: tuple[str, str], rows: list[str]) -> None:
    folder.mkdir(parents=True)
    people = "".join(
        f'[{corner}]\nname = "{name}"\nstance = "{stance}"\n'
        for corner, (name, stance) in (("red", red), ("blue", blue))
    )
    (folder / "fight.toml").write_text(
        f'title = "{title}"\n{people}[[log]]\nfile = "log.csv"\n', encoding="utf-8"
    )
    (folder / "log.csv").write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")


def tries(attacker: str, defender: str, answer: str, outcomes: str, start: int) -> list[str]:
    """A missed jab that is answered, an exchange each: `l` the answer landed, `m` it missed."""
    rows = []
    for n, outcome in enumerate(outcomes, start):
        went = "landed" if outcome == "l" else "missed"
        rows += [
            f"1,2:{59 - n:02d},{n},{attacker},jab,missed",
            f"1,2:{59 - n:02d},{n},{defender},{answer},{went}",
        ]
    return rows


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Library:
    root = tmp_path_factory.mktemp("elsewhere")
    fights = root / "fights"
    orthodox, southpaw = "orthodox", "southpaw"
    fight(fights / "here", "Adeyemi v Brandt", ("Adeyemi", southpaw), ("Brandt", orthodox),
          tries("Adeyemi", "Brandt", "cross", "lll", 1))  # fmt: skip
    # Open stances, as here: the hook beats it 6 of 8 times, the cross once of one.
    fight(fights / "open", "Ito v Valcan", ("Ito", southpaw), ("Valcan", orthodox),
          tries("Ito", "Valcan", "lead hook", "llllllmm", 1) + tries("Ito", "Valcan", "cross", "l", 20))  # fmt: skip
    # Closed stances: the uppercut beats it every time.
    fight(fights / "closed", "Okoro v Reyes", ("Okoro", orthodox), ("Reyes", orthodox),
          tries("Okoro", "Reyes", "rear uppercut", "llllllllll", 1))  # fmt: skip
    library = Library(root / "library", create=True)
    assert library.logging.ingest([fights]).exit_code == 0
    return library


def test_the_same_stances_first_and_the_surest_first(library: Library) -> None:
    found = library.evidence.elsewhere("Adeyemi jab")
    rows = [
        (row.response.split(" ")[-1], row.stances, row.beaten, row.beaten_known) for row in found.result.rows
    ]
    # One of one is 100 %, and its interval begins lower than that of six of eight.
    assert rows == [("hook", "open", 6, 8), ("cross", "open", 1, 1), ("uppercut", "closed", 10, 10)]
    assert found.stances == "open"
    assert found.people == (("Valcan",), ("Valcan",), ("Reyes",))
    for row in found.result.rows:
        low, _ = proportion_confint(row.beaten, row.beaten_known, method="wilson")
        assert row.beaten_rate is not None
        assert row.beaten_rate.low == pytest.approx(low, abs=1e-6)
    clips = library.finding.clips(found.result.rows[0].behind.of("beaten").exchange_ids().tolist())
    assert {clip.fight for clip in clips} == {"Ito v Valcan"}
    assert len(clips) == 6


def test_it_is_a_table_like_the_others(library: Library) -> None:
    table = library.evidence.table("elsewhere", phrase="jab", where=None, only={"fight": "Adeyemi v Brandt"})
    rows = table.as_json()["elsewhere"]
    assert [row["by"] for row in rows] == ["Valcan", "Valcan", "Reyes"]
    assert len(rows[0]["clips"]) == 6


def test_from_nowhere_there_is_no_elsewhere(library: Library) -> None:
    with pytest.raises(InputError, match="name a fight or a fighter"):
        library.evidence.elsewhere("jab")


def test_alike_in_other_fights(library: Library) -> None:
    clip = library.finding.find("Adeyemi jab").clips[0]
    plain = library.finding.similar(clip.id, 2)
    assert {c.fight for c in library.finding.clips([one.exchange_id for one in plain])} == {
        "Adeyemi v Brandt"
    }
    other = library.finding.similar(clip.id, 30, elsewhere=True)
    fights = [c.fight for c in library.finding.clips([one.exchange_id for one in other])]
    assert len(fights) == 19
    assert "Adeyemi v Brandt" not in fights
    every = {one.exchange_id: one.distance for one in library.finding.similar(clip.id, 30)}
    assert all(every[one.exchange_id] == one.distance for one in other)
