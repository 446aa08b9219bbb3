"""The server of the page, asked over real connections."""

from __future__ import annotations

import http.client
import json
import re
import socket
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
import zxingcpp
from visit import COOLER, RELAY, TIME, Visit

from handsfree.cli import main
from handsfree.glance import server
from handsfree.glance.server import Glance, GlanceError
from handsfree.session.events import Heard, Mark, Record


def ask(glance: Glance, path: str, method: str = "GET", **headers: str) -> tuple[int, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", glance.port, timeout=30)
    with closing(connection):
        connection.request(method, path, headers=headers)
        response = connection.getresponse()
        endless = "event-stream" in response.getheader("Content-Type", "")
        return response.status, b"" if endless else response.read()


@contextmanager
def told(glance: Glance) -> Iterator[Iterator[dict[str, Any]]]:
    """What a page is told, as it comes."""
    parts = urlsplit(glance.url)
    connection = http.client.HTTPConnection("127.0.0.1", glance.port, timeout=30)
    connection.request("GET", f"/events?{parts.query}")
    response = connection.getresponse()
    assert response.status == 200
    assert response.getheader("Content-Type", "").startswith("text/event-stream")

    def states() -> Iterator[dict[str, Any]]:
        for line in response:
            if line.startswith(b"data: "):
                yield json.loads(line.removeprefix(b"data: "))

    with closing(connection), closing(response):
        yield states()


def until(states: Iterator[dict[str, Any]], **wanted: Any) -> dict[str, Any]:
    return next(state for state in states if all(state.get(key) == value for key, value in wanted.items()))


def test_a_page_is_told_where_the_session_is_and_of_everything_after(glance: Glance) -> None:
    glance.show(COOLER)
    visit = Visit(glance)
    with told(glance) as states:
        assert until(states, heard=None)["step"]["number"] == 1
        visit.say("done")
        assert until(states, heard="done")["step"]["number"] == 2


def test_a_page_that_comes_late_is_told_the_same_as_one_that_was_there(glance: Glance) -> None:
    glance.show(COOLER)
    with told(glance) as early:
        Visit(glance).say(*RELAY)
        before = until(early, closed="concluded")
    with told(glance) as late:
        assert next(late) == before


def test_a_page_is_told_again_though_nothing_happens(glance: Glance) -> None:
    glance.show(COOLER)
    Visit(glance)
    with told(glance) as states:
        first = until(states, heard=None)
        assert next(states) == next(states) == first


def test_pages_are_told_when_the_program_ends(glance: Glance) -> None:
    glance.show(COOLER)
    with told(glance) as states:
        assert next(states)["ended"] is False
        glance.close()
        assert [state["ended"] for state in states][-1] is True


def test_a_page_that_takes_nothing_holds_up_neither_the_session_nor_the_end() -> None:
    with closing(Glance("127.0.0.1", 0)) as glance, socket.create_connection(("127.0.0.1", glance.port)) as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.sendall(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        glance.show(COOLER)
        visit = Visit(glance)
        for _ in range(2000):
            visit.say("how far")
        with told(glance) as states:
            assert until(states, heard="how far")["step"]["number"] == 1
    assert "glance" not in {thread.name for thread in threading.enumerate()}


def test_what_cannot_be_followed_is_told_and_breaks_nothing(glance: Glance) -> None:
    glance.show(COOLER)
    with told(glance) as states:
        glance(Heard(TIME, "done"), [Record(Mark.ENTERED, {"step": "no such step", "kind": "do", "text": ""})])
        assert until(states, lost=server.LOST)
        glance.show(COOLER)
        assert until(states, lost="")["title"] == COOLER.title


def test_after_the_end_a_session_may_go_on_without_the_page() -> None:
    glance = Glance("127.0.0.1", 0)
    glance.show(COOLER)
    visit = Visit(glance)
    glance.close()
    visit.say(*RELAY)
    glance.close()
    assert visit.session.closed


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH"])
@pytest.mark.parametrize("path", ["/", "/events", "/page.js"])
def test_the_page_takes_nothing(glance: Glance, method: str, path: str) -> None:
    assert ask(glance, path, method)[0] == 405


@pytest.mark.parametrize("path", ["/page.css", "/page.js", "/"])
def test_the_page_is_all_there_is_and_asks_nothing_of_anybody_else(glance: Glance, path: str) -> None:
    status, body = ask(glance, path)
    assert status == 200
    assert not re.search(rb"""(https?:|["'(=]\s*)//""", body)
    assert ask(glance, "/../server.py")[0] == 404
    assert ask(glance, "/server.py")[0] == 404


def test_a_name_that_was_made_to_lead_here_is_told_nothing(glance: Glance) -> None:
    for host in ("elsewhere.example", f"elsewhere.example:{glance.port}", "192.0.2.7"):
        assert ask(glance, "/events", Host=host)[0] == 403, host


def test_whoever_is_not_at_this_computer_needs_the_token() -> None:
    with closing(Glance("0.0.0.0", 0)) as glance:
        assert glance.open_to_others
        for query in ("", "?token=", "?token=guessed", "?token=%ff", "?" + glance.url.partition("?")[2][:-1]):
            assert ask(glance, f"/events{query}")[0] == 403, query
        with told(glance) as states:
            assert next(states)["ended"] is False


def test_two_programs_have_two_tokens() -> None:
    with closing(Glance("0.0.0.0", 0)) as one, closing(Glance("0.0.0.0", 0)) as other:
        assert urlsplit(one.url).query != urlsplit(other.url).query
        assert ask(one, f"/events?{urlsplit(other.url).query}")[0] == 403


def test_a_page_for_this_computer_alone_has_no_token_and_no_code(glance: Glance) -> None:
    assert glance.url == f"http://127.0.0.1:{glance.port}/"
    assert glance.code == ""


def test_the_code_on_the_terminal_is_the_address() -> None:
    with closing(Glance("0.0.0.0", 0)) as glance:
        # The half blocks as they look light on dark, eight dots a module, read by another library.
        halves = {" ": (0, 0), "▀": (255, 0), "▄": (0, 255), "█": (255, 255)}
        rows = [[halves[character][half] for character in line] for line in glance.code.splitlines() for half in (0, 1)]
        picture = np.kron(np.array(rows, np.uint8), np.ones((8, 8), np.uint8))
        (found,) = zxingcpp.read_barcodes(picture, try_invert=False)
        assert found.text == glance.url
        assert "?token=" in found.text


def test_a_port_in_use_is_told_before_the_session_begins(tmp_path: Any, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(GlanceError, match=f"no page can be shown at 127.0.0.1:{port}: .*choose another port"):
            Glance("127.0.0.1", port)
        code = main(["run", "lift-table-is-slow", "--typed", "--glance", str(port), "--out", str(tmp_path / "s")])
        assert code == 2
        assert "choose another port" in capsys.readouterr().err
        assert not (tmp_path / "s").exists()


def test_an_address_that_is_not_here_is_told() -> None:
    with pytest.raises(GlanceError, match=r"no page can be shown at 192\.0\.2\.7:8765"):
        Glance("192.0.2.7", 8765)
    with pytest.raises(GlanceError, match=r"no page can be shown at nobody\.invalid:8765"):
        Glance("nobody.invalid", 8765)
