"""The table of pages: none can be forgotten, and each has what it needs."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import click
import pytest

from cliplib import Library
from cliplib.cli.main import cli
from cliplib_web import create_app, pages
from tests.libraries import make_fight


@pytest.fixture
def library(tmp_path: Path) -> Path:
    folder = tmp_path / "library"
    report = Library(folder, create=True).logging.ingest(
        [make_fight(tmp_path / "fight", kind=None)], cut=False
    )
    assert report.exit_code == 0
    return folder


def test_a_page_without_a_row_is_refused(library: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages, "PAGES", pages.PAGES[1:])
    with pytest.raises(RuntimeError, match=r"no row in web/pages\.py: find\.find"):
        create_app(library)


def test_a_row_without_a_page_is_refused(library: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ghost = dataclasses.replace(pages.PAGES[0], endpoint="find.ghost")
    monkeypatch.setattr(pages, "PAGES", (*pages.PAGES, ghost))
    with pytest.raises(RuntimeError, match=r"no view: find\.ghost"):
        create_app(library)


def test_a_page_belongs_to_the_navigation(library: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    astray = dataclasses.replace(pages.PAGES[0], part="Elsewhere")
    monkeypatch.setattr(pages, "PAGES", (astray, *pages.PAGES[1:]))
    with pytest.raises(RuntimeError, match="Elsewhere"):
        create_app(library)


@pytest.mark.parametrize("page", pages.PAGES, ids=lambda page: page.endpoint)
def test_there_is_a_command_beside_each_page(page: pages.Page) -> None:
    command: click.Command | None = cli
    for word in page.command.split():
        assert isinstance(command, click.Group)
        command = command.get_command(click.Context(command), word)
        assert command is not None, page.command


def test_each_sample_is_the_page_that_it_is_listed_for(library: Path) -> None:
    addresses = create_app(library).url_map.bind("localhost")
    for page in pages.PAGES:
        for sample in page.samples:
            assert addresses.match(sample.partition("?")[0])[0] == page.endpoint, sample


def test_the_open_page_is_marked(library: Path) -> None:
    asked = create_app(library).test_client()
    for address, part in (("/fights/new", "Fights"), ("/counts/?q=jab", "Counts"), ("/", "Find")):
        text = asked.get(address).get_data(as_text=True).partition("</nav>")[0]
        assert text.count('aria-current="page"') == 1
        assert f'aria-current="page">{part}</a>' in text
