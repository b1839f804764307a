"""Who may come in: password, code, sessions, links, tokens, and what other sites may not do in their name."""

from __future__ import annotations

import http.client
import re
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlencode

import pytest

from rushlight.analysis.service import run as running
from rushlight.analysis.service.page_access import invited, link_lines, revoked, set_password
from rushlight.analysis.views.access import passwords
from rushlight.analysis.views.access.attempts import MOST_FAILURES, WINDOW_MS, Attempts
from rushlight.analysis.views.access.forwarded import networks_of, visitor_address
from rushlight.analysis.views.access.keys import SESSION_MS, Keys
from rushlight.analysis.views.access.openness import open_without_login
from rushlight.analysis.views.overview import overview
from rushlight.analysis.views.page import StatusPage, desk
from rushlight.analysis.views.page.visitors import local_path
from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.views.test_page import HARM, NOW, SETTINGS, Served, warm_tank

PASSWORD = "under the fern"


class HasPort(Protocol):
    """A page that is being served."""

    port: int


class Browser:
    """Sends forms and keeps a cookie."""

    def __init__(self, served: HasPort) -> None:
        self.port = served.port
        self.cookie = ""

    def ask(self, path: str, fields: dict[str, str] | None = None, **headers: str) -> tuple[int, Any, str]:
        given = {**({"Cookie": self.cookie} if self.cookie else {}), **headers}
        body = None
        if fields is not None:
            body = urlencode(fields)
            given.setdefault("Content-Type", "application/x-www-form-urlencoded")
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)) as connection:
            connection.request("GET" if fields is None else "POST", path, body, given)
            answer = connection.getresponse()
            text = answer.read().decode()
        said = answer.headers.get("Set-Cookie", "")
        if said:
            self.cookie = said.partition(";")[0]
        return answer.status, answer.headers, text

    def login(self, password: str = PASSWORD, **more: str) -> int:
        return self.ask("/login", {"name": "Ola", "password": password, **more})[0]

    def csrf(self, path: str = "/people") -> str:
        found = re.search(r'name="csrf" value="([^"]+)"', self.ask(path)[2])
        assert found
        return found[1]


@pytest.fixture
def clock() -> list[int]:
    return [NOW]


@pytest.fixture
def page(tmp_path: Path, clock: list[int]) -> Iterator[Callable[..., Served]]:
    made: list[Served] = []

    def start(login: bool = True, **settings: Any) -> Served:
        parsed = warm_tank(tmp_path)
        for name, value in settings.items():
            setattr(parsed.status_page, name, value)
        if login:
            set_password(parsed, PASSWORD, NOW)
        made.append(Served(parsed, lambda: True, lambda: clock[0]))
        return made[-1]

    yield start
    for served in made:
        served.page.stop()


CLOSED = ("/", "/tank/porch", "/history", "/people", "/alarm/porch/temperature-high/x")
PROGRAMS = ("/status.json", "/metrics", "/live", "/tank/porch/plot.json", "/api/v1/tanks", "/api/v1/alarms")


def test_with_a_password_nothing_is_shown_without_it(page: Callable[..., Served]) -> None:
    browser = Browser(page())
    for path in CLOSED:
        status, headers, text = browser.ask(path)
        assert (status, headers["Location"]) == (303, f"/login?next={path}"), path
        assert "27.59" not in text
    for path in PROGRAMS:
        status, headers, text = browser.ask(path)
        assert (status, headers["WWW-Authenticate"]) == (401, "Bearer"), path  # RFC 9110, 15.5.2
        assert "27.59" not in text
    assert browser.ask("/health")[0] == 200  # for a watchdog: no tank, no value in it
    assert browser.login("wrong words here") == 403
    assert browser.ask("/")[0] == 303
    assert browser.login() == 303
    status, _, text = browser.ask("/")
    assert status == 200 and "27.59" in text and "You are Ola" in text
    assert "Unplug at the wall before a hand goes in" in text.partition("Hands in the tank for 30 min")[2]
    for path in PROGRAMS[:2]:
        assert browser.ask(path)[0] == 200


def test_a_cookie_is_closed_to_scripts_and_other_sites(page: Callable[..., Served], clock: list[int]) -> None:
    served = page()
    browser = Browser(served)
    headers = browser.ask("/login", {"name": "Ola", "password": PASSWORD})[1]
    # RFC 6265bis
    parts = {part.strip().lower() for part in headers["Set-Cookie"].split(";")}
    assert {"httponly", "samesite=lax", "path=/"} <= parts and "secure" not in parts
    assert f"rushlight-{served.port}=" in headers["Set-Cookie"]
    clock[0] += SESSION_MS
    assert browser.ask("/")[0] == 303  # over
    clock[0] = NOW
    assert browser.ask("/")[0] == 200
    csrf = browser.csrf()
    kept = browser.cookie
    assert browser.ask("/logout", {"csrf": csrf})[0] == 303
    browser.cookie = kept
    assert browser.ask("/")[0] == 303  # the session is over, not the cookie alone


def test_behind_tls_of_a_proxy_the_cookie_is_secure(page: Callable[..., Served]) -> None:
    served = page(url="https://tanks.example")
    headers = Browser(served).ask("/login", {"password": PASSWORD}, Host="tanks.example")[1]
    assert "secure" in headers["Set-Cookie"].lower()


def test_the_code_of_the_log_sets_the_first_password_once(
    page: Callable[..., Served], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    served = page(login=False)
    code = re.search(r"/setup and give the code (\S+)", caplog.text)
    assert code and re.fullmatch(r"[A-Z2-9]{5}-[A-Z2-9]{5}", code[1])
    browser = Browser(served)
    status, _, text = browser.ask("/")
    assert status == 200 and "No password is set" in text and "<form" not in text
    assert browser.ask("/login")[1]["Location"] == "/setup"
    assert browser.ask("/setup", {"code": "AAAAA-AAAAA", "password": PASSWORD})[0] == 403
    assert browser.ask("/setup", {"code": code[1], "password": "short"})[0] == 422
    assert browser.ask("/setup", {"code": code[1].lower(), "password": PASSWORD, "name": "Ola"})[0] == 303
    assert "You are Ola" in browser.ask("/")[2]
    other = Browser(served)
    assert other.ask("/setup", {"code": code[1], "password": "another one here"})[0] == 409
    assert other.login("another one here") == 403 and other.login() == 303


def test_a_password_is_not_guessed(page: Callable[..., Served], clock: list[int]) -> None:
    browser = Browser(page())
    for _ in range(MOST_FAILURES):
        assert browser.login("not it, surely") == 403
    status, headers, text = browser.ask("/login", {"password": PASSWORD})
    assert status == 429 and headers["Retry-After"] and "Try again in" in text  # RFC 6585, 4
    clock[0] += WINDOW_MS
    assert browser.login() == 303


def test_links_that_are_none_lock_nobody_out_of_the_login(page: Callable[..., Served]) -> None:
    served = page()
    asked = [Browser(served).ask(f"/visit/nobody-{number}")[0] for number in range(MOST_FAILURES + 1)]
    assert asked == [404] * MOST_FAILURES + [429]
    assert Browser(served).login() == 303


def test_what_no_service_has_done_is_not_confirmed(
    page: Callable[..., Served], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(desk, "_ASK_S", 0.2)
    served = page()
    browser = Browser(served)
    browser.login()
    fields = {"csrf": browser.csrf(), "tank": "porch", "back": "/tank/porch"}
    status, headers, _ = browser.ask("/do/hands", fields)
    assert (status, headers["Location"]) == (303, "/tank/porch")
    text = browser.ask("/tank/porch")[2]
    assert "Not done: The service has not answered so far" in text and "Hands are in the tank" not in text
    with EmbeddedStore(served.page._store_path) as store:
        assert [request.kind for request in store.open_requests()] == ["hands"]  # it is kept
        _, secret = Keys(store).make_token("graphs", ["acknowledge"], NOW)
    with closing(http.client.HTTPConnection("127.0.0.1", served.port, timeout=20)) as connection:
        given = {"Authorization": f"Bearer {secret}", "Content-Type": "application/json"}
        body = '{"alarm": "porch/temperature-high"}'
        connection.request("POST", "/api/v1/alarms/acknowledge", body, given)
        answer = connection.getresponse()
        assert answer.status == 503 and b"has not answered so far" in answer.read()


def test_many_guesses_at_once_are_counted_too(page: Callable[..., Served]) -> None:
    served = page()
    found: list[int] = []
    guesses = [
        threading.Thread(target=lambda: found.append(Browser(served).login("not it, surely")))
        for _ in range(12)
    ]
    for guess in guesses:
        guess.start()
    for guess in guesses:
        guess.join()
    assert sorted(found) == [403] * MOST_FAILURES + [429] * (12 - MOST_FAILURES)


def test_passwords_are_looked_at_on_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    # each thread that has had Argon2's 19 MiB keeps them: five logins took the service from 67 to 107 MB
    seen: list[int] = []

    class Hasher:
        def verify(self, kept: str, password: str) -> bool:
            seen.append(threading.get_ident())
            time.sleep(0.02)
            return kept == password

    monkeypatch.setattr(passwords, "_HASHER", Hasher())
    found: list[bool] = []
    asked = [threading.Thread(target=lambda: found.append(passwords.matches("a", "a"))) for _ in range(6)]
    for one in asked:
        one.start()
    for one in asked:
        one.join()
    assert found == [True] * 6 and len(set(seen)) == 1 and not passwords.matches("a", "b")


def test_behind_a_proxy_each_visitor_is_counted_by_themselves(page: Callable[..., Served]) -> None:
    served = page(proxies=["127.0.0.1"])
    guesser, keeper = {"X-Forwarded-For": "203.0.113.7"}, {"X-Forwarded-For": "198.51.100.2, 203.0.113.9"}
    wrong = {"name": "", "password": "not it, surely"}
    for number in range(MOST_FAILURES + 1):
        # what a visitor writes there itself makes nobody another: the proxy adds whom it has seen
        forged = {"X-Forwarded-For": f"192.0.2.{number}, 203.0.113.7"}
        status = Browser(served).ask("/login", wrong, **forged)[0]
        assert status == (403 if number < MOST_FAILURES else 429)
    right = {"name": "Ola", "password": PASSWORD}
    assert Browser(served).ask("/login", right, **guesser)[0] == 429
    assert Browser(served).ask("/login", right, **keeper)[0] == 303


def test_who_is_no_proxy_of_the_settings_is_not_believed(page: Callable[..., Served]) -> None:
    served = page()
    for number in range(MOST_FAILURES):
        fields = {"name": "", "password": "not it, surely"}
        assert Browser(served).ask("/login", fields, **{"X-Forwarded-For": f"203.0.113.{number}"})[0] == 403
    right = {"name": "Ola", "password": PASSWORD}
    assert Browser(served).ask("/login", right, **{"X-Forwarded-For": "198.51.100.2"})[0] == 429


@pytest.mark.parametrize(
    ("peer", "forwarded", "found"),
    [
        ("10.0.0.2", ["203.0.113.7"], "203.0.113.7"),
        ("10.0.0.2", ["192.0.2.1, 203.0.113.7"], "203.0.113.7"),
        ("10.0.0.2", ["192.0.2.1", "203.0.113.7"], "203.0.113.7"),  # RFC 9110, 5.3: as if joined by commas
        ("10.0.0.2", ["203.0.113.7, 10.9.9.9"], "203.0.113.7"),  # two proxies, one before the other
        ("10.0.0.2", ["203.0.113.7:4711"], "203.0.113.7"),
        ("10.0.0.2", ["[2001:db8::7]:4711"], "2001:db8::7"),
        ("10.0.0.2", ["2001:db8::7"], "2001:db8::7"),
        ("::ffff:10.0.0.2", ["203.0.113.7"], "203.0.113.7"),  # RFC 4291, 2.5.5.2
        ("10.0.0.2", ["203.0.113.7, unknown"], "10.0.0.2"),
        ("10.0.0.2", [], "10.0.0.2"),
        ("10.0.0.2", ["203.0.113.7" + ", 10.0.0.3" * 20], "10.0.0.3"),  # no endless looking
        ("203.0.113.9", ["198.51.100.2"], "203.0.113.9"),  # not a proxy
        ("", ["198.51.100.2"], ""),
    ],
)
def test_whose_request_it_is(peer: str, forwarded: list[str], found: str) -> None:
    assert visitor_address(peer, forwarded, networks_of(["10.0.0.0/8"])) == found


@pytest.mark.parametrize("name", ["proxy.lan", "0.0.0.0/0", "::/0", "192.0.2.300", ""])
def test_what_is_no_proxys_address_is_said(name: str) -> None:
    with pytest.raises(SettingsError, match=r"status_page.proxies\[2\]: .* is not the address of a proxy"):
        parse_settings(f'[status_page]\nproxies = ["172.18.0.0/16", "{name}"]')
    assert parse_settings('[status_page]\nproxies = ["172.18.0.0/16", "fd00::1"]').status_page.proxies


def test_a_proxy_opens_the_page_so_it_needs_a_password(tmp_path: Path) -> None:
    settings = parse_settings(SETTINGS.format(title="P"), str(tmp_path / "rushlight.toml"))
    assert open_without_login(settings, settings.store_path()) == ""
    settings.status_page.proxies = ["127.0.0.1"]
    assert "proxies: a proxy opens the page" in open_without_login(settings, settings.store_path())
    set_password(settings, PASSWORD, NOW)
    assert open_without_login(settings, settings.store_path()) == ""


def test_attempts_count_by_network_and_forget(clock: list[int]) -> None:
    attempts = Attempts()
    for i in range(MOST_FAILURES):
        attempts.failed(f"2001:db8::{i}", NOW)  # RFC 6177: a site has a /64 at least
    assert attempts.wait_ms("2001:db8::ffff", NOW) == WINDOW_MS
    assert attempts.wait_ms("2001:db8:0:1::1", NOW) == attempts.wait_ms("192.0.2.1", NOW) == 0
    attempts.succeeded("2001:db8::1")
    assert attempts.wait_ms("2001:db8::1", NOW) == 0


def test_other_sites_do_nothing_in_its_visitors_name(page: Callable[..., Served]) -> None:
    served = page()
    browser = Browser(served)
    browser.login()
    csrf = browser.csrf()
    what = {"tank": "porch", "text": "planted", "back": "/"}

    def noted() -> int:
        with EmbeddedStore(served.page._store_path, read_only=True) as store:
            return len(store.log("porch"))

    host = f"127.0.0.1:{served.port}"
    for fields, headers in (
        (what, {}),
        ({**what, "csrf": "x"}, {}),
        ({**what, "csrf": csrf}, {"Origin": "https://elsewhere.example"}),
        ({**what, "csrf": csrf}, {"Origin": "null"}),
        ({**what, "csrf": csrf}, {"Sec-Fetch-Site": "cross-site"}),
        ({**what, "csrf": csrf}, {"Content-Type": "text/plain"}),
    ):
        assert browser.ask("/do/note", fields, **headers)[0] in (403, 415), headers
    assert noted() == 0
    assert browser.ask("/login", {"password": PASSWORD}, Origin="https://elsewhere.example")[0] == 403
    own = {"Origin": f"http://{host}", "Sec-Fetch-Site": "same-origin"}
    assert browser.ask("/do/note", {**what, "csrf": csrf}, **own)[0] == 303
    assert noted() == 1
    # by a link nothing is done at all
    assert browser.ask(f"/do/note?{urlencode({**what, 'csrf': csrf})}")[0] == 405
    # and the cookie is no token for the interface of programs
    body = '{"text":"planted"}'
    with closing(http.client.HTTPConnection("127.0.0.1", served.port, timeout=10)) as connection:
        headers = {"Cookie": browser.cookie, "Content-Type": "application/json"}
        connection.request("POST", "/api/v1/tanks/porch/log", body, headers)
        assert connection.getresponse().status == 403
    assert noted() == 1


@pytest.mark.parametrize(
    ("text", "leads"),
    [
        ("/tank/porch", "/tank/porch"),
        ("//elsewhere.example", "/"),
        ("/\\elsewhere.example", "/"),
        ("https://elsewhere.example", "/"),
        ("/a\r\nSet-Cookie: x", "/"),
        ("", "/"),
    ],
)
def test_after_the_login_one_goes_on_within_the_page(text: str, leads: str) -> None:
    assert local_path(text) == leads


def test_a_sitters_link_shows_its_tanks_and_ends(page: Callable[..., Served], clock: list[int]) -> None:
    served = page()
    settings: Settings = served.page._settings
    lines = invited(
        settings, "Ines", ["porch"], "2026-03-02", False, "+351 900", "Feed a pinch.\nNo more.", NOW
    )
    secret = lines[1].rpartition("/")[2]
    browser = Browser(served)
    status, headers, _ = browser.ask(f"/visit/{secret}")
    assert (status, headers["Location"]) == (303, "/")
    text = browser.ask("/")[2]
    assert "27.59" in text and "Feed a pinch." in text and "tel:+351900" in text
    assert "<form" not in text  # only to look
    assert 'href="/login"' in text  # a keeper who has tried the link finds the way back
    assert browser.ask("/people")[0] == 403
    assert browser.ask("/do/acknowledge", {"alarm": "porch/temperature-high"})[0] == 403
    (line,) = link_lines(settings, NOW)
    # by the clock of the house: Tokyo's 2 March ends at 15:00 UTC (IANA tz database)
    assert line.endswith("Ines: porch; may look; until 2026-03-03 00:00")
    with EmbeddedStore(settings.store_path(), read_only=True) as store:
        (link,) = Keys(store).links()
    assert datetime.fromtimestamp(link.until_ms / 1000, UTC).isoformat() == "2026-03-02T15:00:00+00:00"
    clock[0] = NOW + 2 * 86_400_000
    assert browser.ask("/")[0] == 303
    assert Browser(served).ask(f"/visit/{secret}")[0] == 404
    clock[0] = NOW
    assert browser.ask("/")[0] == 200
    revoked(settings, line.split()[0])
    assert browser.ask("/")[0] == 303
    assert Browser(served).ask(f"/visit/{secret}")[0] == 404
    with pytest.raises(SettingsError, match="no link"):
        revoked(settings, line.split()[0])


def test_a_sitter_sees_only_their_tanks(tmp_path: Path) -> None:
    text = SETTINGS.format(title="Porch") + "\n[tanks.cellar]\nvolume_litres = 20\ntimezone = 'Asia/Tokyo'\n"
    text += "[tanks.cellar.livestock]\ntemperature_low_c = 5\ntemperature_high_c = 26\n"
    warm_tank(tmp_path)
    settings = parse_settings(text, str(tmp_path / "rushlight.toml"))
    set_password(settings, PASSWORD, NOW)
    with EmbeddedStore(settings.store_path()) as store:
        store.queue_notice(
            occurrence="porch/x",
            transition="raised",
            target="ola",
            title="",
            body="",
            priority="high",
            created_ms=NOW,
        )
        store.notice_failed(store.pending_notices()[0].id, NOW, "ola@mail.example refused it")
    secret = invited(settings, "Ines", ["cellar"], "2026-03-05", True, "", "", NOW)[1].rpartition("/")[2]
    served = Served(settings, lambda: True, lambda: NOW)
    try:
        browser = Browser(served)
        browser.ask(f"/visit/{secret}")
        text = browser.ask("/")[2]
        assert "cellar" in text and "Porch" not in text and "/dev/ttyUSB0" not in text
        for path in ("/tank/porch", "/tank/porch/plot.json", "/alarm/porch/temperature-high/x"):
            assert browser.ask(path)[0] == 404
        assert "Porch" not in browser.ask("/history")[2] + browser.ask("/status.json")[2]
        assert "mail.example" not in browser.ask("/status.json")[2]
        for path in ("/metrics", "/api/v1/tanks", "/api/v1/alarms", "/api/v1/openapi.json"):
            status, _, text = browser.ask(path)
            assert status == 200 and "porch" not in text.lower(), path
        for path in ("/tanks/porch", "/tanks/porch/log", "/tanks/porch/values?quantity=ph"):
            assert browser.ask("/api/v1" + path)[0] == 404
        text = browser.ask("/")[2]
        csrf = re.search(r'name="csrf" value="([^"]+)"', text)
        fields = {"alarm": "porch/temperature-high", "csrf": csrf[1] if csrf else ""}
        assert browser.ask("/do/acknowledge", fields)[0] in (403, 404)
    finally:
        served.page.stop()


def test_a_link_that_is_opened_again_and_again_crowds_nobody_out(tmp_path: Path) -> None:
    settings = warm_tank(tmp_path)
    with EmbeddedStore(settings.store_path(), synchronous="OFF") as store:
        keys = Keys(store)
        keeper = keys.begin("Ola", NOW)
        link, _ = keys.invite("Ines", ["porch"], False, NOW + 90 * 86_400_000, NOW)
        for _ in range(120):
            sitter = keys.begin("Ines", NOW, link)
        assert keys.by_session(sitter, NOW) and keys.by_session(keeper, NOW)
        assert len(store.states("page-session")) == 11


def test_a_token_does_what_its_scope_says(page: Callable[..., Served]) -> None:
    served = page()
    with EmbeddedStore(served.page._store_path) as store:
        token, read = Keys(store).make_token("graphs", ["read", "keep"], NOW)
        _, note = Keys(store).make_token("feeder", ["note"], NOW)
    assert token.scopes == ("read",)  # none can have the keeper's own
    browser = Browser(served)
    for path in ("/metrics", "/api/v1/tanks", "/status.json"):
        assert browser.ask(path, Authorization=f"Bearer {read}")[0] == 200
        assert browser.ask(path, Authorization=f"Bearer {note}")[0] == 403
        assert browser.ask(path, Authorization="Bearer nobody")[0] == 401
    assert browser.ask("/", Authorization=f"Bearer {note}")[0] == 403
    assert browser.ask("/people", Authorization=f"Bearer {read}")[0] == 403
    with EmbeddedStore(served.page._store_path) as store:
        assert Keys(store).revoke(token.id)
    assert browser.ask("/metrics", Authorization=f"Bearer {read}")[0] == 401


def test_secrets_are_kept_as_hashes(page: Callable[..., Served], tmp_path: Path) -> None:
    served = page()
    browser = Browser(served)
    browser.login()
    secret = invited(served.page._settings, "I", ["porch"], "2026-03-05", True, "", "", NOW)[1].rpartition(
        "/"
    )[2]
    with EmbeddedStore(served.page._store_path) as store:
        token = Keys(store).make_token("graphs", ["read"], NOW)[1]
    kept = b"".join(path.read_bytes() for path in tmp_path.glob("rushlight.db*"))
    for text in (PASSWORD, browser.cookie.partition("=")[2], secret, token):
        assert text.encode() not in kept
    assert b"$argon2id$" in kept  # RFC 9106


def test_an_open_host_without_a_password_is_refused(tmp_path: Path) -> None:
    settings = parse_settings(SETTINGS.format(title="P"), str(tmp_path / "rushlight.toml"))
    settings.status_page.host = "0.0.0.0"
    settings.links = parse_settings('[[links]]\nkind = "serial"\nport = "/dev/none"\n').links
    with pytest.raises(SettingsError, match=r"status_page.host: '0.0.0.0' opens the page .* by .rushlight"):
        running.run_service(settings)
    assert "does not start: status_page.host" in overview(settings)
    set_password(settings, PASSWORD, NOW)
    assert open_without_login(settings, settings.store_path()) == ""
    assert "does not start" not in overview(settings)
    settings.status_page.host = "127.0.0.1"
    assert open_without_login(settings, tmp_path / "nowhere.db") == ""


def test_tls_by_files_of_the_settings(
    tmp_path: Path, page: Callable[..., Served], caplog: pytest.LogCaptureFixture
) -> None:
    files = ["-keyout", str(tmp_path / "k.pem"), "-out", str(tmp_path / "c.pem")]
    subject = ["-subj", "/CN=localhost", "-addext", "subjectAltName=IP:127.0.0.1"]
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", *files, *subject]
    subprocess.run(command, check=True, capture_output=True)
    # files that are no pair are named, and the page doesn't claim to be there
    broken = warm_tank(tmp_path)
    for wrong in (("nowhere.pem", "k.pem"), ("c.pem", "c.pem")):
        names = [str(tmp_path / name) for name in wrong]
        broken.status_page.tls_certificate, broken.status_page.tls_key = names
        nothing = StatusPage(broken, broken.store_path(), lambda: NOW, lambda: True)
        assert not nothing.start() and nothing.url == ""
        assert "or there is no status page: status_page: tls_certificate, tls_key" in overview(broken)
        assert f"tls_key ({names[0]}, {names[1]}): can't be used" in caplog.text
    served = page(tls_certificate="c.pem", tls_key="k.pem")
    assert served.page.url.startswith("https://127.0.0.1:")
    context = ssl.create_default_context(cafile=str(tmp_path / "c.pem"))
    # somebody who never finishes the handshake holds nobody up
    with (
        socket.create_connection(("127.0.0.1", served.port)),
        closing(http.client.HTTPSConnection("127.0.0.1", served.port, context=context, timeout=10)) as web,
    ):
        web.request(
            "POST",
            "/login",
            urlencode({"password": PASSWORD}),
            {"Content-Type": "application/x-www-form-urlencoded"},
        )
        answer = web.getresponse()
        assert answer.status == 303 and "secure" in answer.headers["Set-Cookie"].lower()


@pytest.mark.parametrize(
    "path",
    [
        "/..%2f..%2fetc/passwd",
        "/tank/..%2f..%2fetc%2fpasswd",
        "/page.css/../../app.py",
        "/%2e%2e/rushlight.toml",
    ],
)
def test_no_path_leads_to_a_file(page: Callable[..., Served], path: str) -> None:
    browser = Browser(page())
    browser.login()
    status, _, text = browser.ask(path)
    assert status == 404 and "root:" not in text and "timezone" not in text


def test_names_and_words_with_markup_are_text(page: Callable[..., Served]) -> None:
    served = page()
    browser = Browser(served)
    browser.login()
    csrf = browser.csrf()
    browser.ask("/do/note", {"csrf": csrf, "tank": "porch", "text": HARM, "back": "/tank/porch"})
    texts = [browser.ask("/tank/porch")[2]]
    fields = {
        "csrf": csrf,
        "name": HARM,
        "tank-porch": "1",
        "until": "2026-03-09",
        "words": HARM,
        "phone": HARM,
    }
    texts.append(browser.ask("/people/invite", fields)[2])
    assert all(
        ("<img" not in text.replace('<img src="/alarm', "") and "taken over&#34;" in text)
        or "taken over" in text
        for text in texts
    )
    for text in texts:
        assert "<img src=x" not in text and "<script>document" not in text and "&lt;img src=x" in text


def test_what_is_too_long_is_refused_and_the_page_lives(page: Callable[..., Served]) -> None:
    browser = Browser(page())
    assert browser.ask("/login", {"password": "x" * 20_000})[0] == 413
    assert browser.ask("/login", {f"f{i}": "x" for i in range(100)})[0] == 400
    assert browser.login() == 303
