"""What the attacks on the pages have in common: a library full of traps, and every address that there is."""

from __future__ import annotations

import json
import threading
import urllib.parse
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from flask import Flask
from werkzeug.routing import AnyConverter, IntegerConverter

from cliplib import Library
from cliplib_web.site import serve
from tests import libraries

# Private parts: Werkzeug tells what an address may hold nowhere else.

HOME = "http://127.0.0.1:8321"
GYM = "http://192.168.1.20:8321"
KEY = "k" * 24
WHO = "<xss-probe onload=alert(1)>'\"><img src=x onerror=alert(2)>"
"""A name that becomes an element, or leaves its attribute, wherever it is not escaped."""

SECRETS = (b"SQLite format 3", b"scrypt", b"root:x:0:0")


def trapped(place: Path) -> Path:
    """A library in which everything that somebody can name is named as an attacker would."""
    fight = libraries.make_fight(place / "fights" / "one", title=WHO)
    toml = fight / "fight.toml"
    quoted = json.dumps(WHO)
    text = toml.read_text().replace("rounds = 1", f"event = {quoted}\nrounds = 1")
    toml.write_text(text.replace('name = "Jonas Brandt"', f"name = {json.dumps(WHO + ' Brandt')}"))
    libraries.write_log(
        fight, ['0:02,Adeyemi,jab,missed,"' + WHO.replace('"', '""') + '"', *libraries.ROWS[1:]]
    )
    library = Library(place / "library", create=True)
    report = library.logging.ingest([place / "fights"])
    assert report.exit_code == 0, report.fights[0].problems
    library.logging.live.add(1, WHO[:60], 60, "Brandt jab landed", note=WHO)
    library.making.drawings.add(1, {"kind": "text", "points": [[0.1, 0.2]], "text": WHO})
    assert library.making.make_reel("jab", title=WHO)
    library.making.themes.put(f'phrase = "jab"\ntitle = {json.dumps(WHO)}\n')
    library.care.passphrases.set("log", "louder orthodox corner")
    library.close()
    return place / "library"


def at_home(app: Flask) -> Any:
    """Somebody at this machine, with a session and its form key."""
    client = app.test_client()
    with client.session_transaction(base_url=HOME) as session:
        session["form_key"] = KEY
    return client


def _value(converter: object) -> Any:
    if isinstance(converter, IntegerConverter):
        return 1
    return next(iter(converter.items)) if isinstance(converter, AnyConverter) else "x"


def routes(app: Flask, *, texts: str = "x") -> list[tuple[str, str, str]]:
    """(endpoint, method, address) of every route and method; `texts` where an address holds any text."""
    found = []
    for rule in app.url_map.iter_rules():
        values = {name: _value(rule._converters[name]) for name in rule.arguments}
        address = "".join(
            part
            if not dynamic
            else urllib.parse.quote(texts, safe="%/\\.:")
            if values[part] == "x"
            else str(values[part])
            for dynamic, part in rule._trace
        ).partition("|")[2]
        found += [(rule.endpoint, m, address) for m in sorted((rule.methods or set()) - {"OPTIONS", "HEAD"})]
    return found


def real_names(app: Flask, folder: Path) -> dict[str, str]:
    """What stands for "x" in addresses where something is to be seen there."""
    library = Library(folder)
    return {
        "reels": library.making.reels()[0].name,
        "themes": library.making.themes.all()[0].name,
        "handover": library.making.reels()[0].name,
    }


def pages(app: Flask, folder: Path) -> list[str]:
    """Every address that can be read, with names that are there."""
    names = real_names(app, folder)
    found = []
    for endpoint, method, address in routes(app):
        if method != "GET" or endpoint == "work.events":
            continue
        name = names.get(address.split("/")[1], "x")
        address = address.replace("/handover/x/x/x", f"/handover/reel/{name}/captions")
        address = address.replace("/handover/x/x/", f"/handover/reel/{name}/")
        found.append(address.replace("/x/", f"/{name}/").replace("/log.x", "/log.csv"))
    return found


@contextmanager
def served(app: Flask, **changes: Any) -> Iterator[int]:
    """The port of a server with the limits that the pages are served with, and `changes` to them."""
    server = serve.server(app, "127.0.0.1", 0, **changes)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield int(server.effective_port)
    finally:
        server.close()
        thread.join(10)
