"""The page behind nginx with TLS, by the very lines that the security page gives."""

from __future__ import annotations

import http.client
import os
import re
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

import pytest

from controller.lookout.page.access import new_secret
from tests.lookout.houses import settings_with
from tests.support.machine import needs, program
from tests.support.waiting import until

pytestmark = needs("nginx", "openssl")
NOTES = Path(__file__).parents[3] / "hardware-notes" / "security.md"
NAME = "loft.local"
AROUND = """
daemon off;
pid {folder}/pid;
error_log {folder}/error.log;
events {{}}
http {{
    access_log off;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
{server}
}}
"""


@dataclass(frozen=True, slots=True)
class Site:
    """A page behind a proxy."""

    port: int
    certificate: Path
    password: str

    def ask(
        self, method: str, path: str, form: dict[str, str] | None = None, **headers: str
    ) -> tuple[int, http.client.HTTPMessage, str]:
        """Return status, headers and text of an answer over TLS, for whose certificate we ask."""
        context = ssl.create_default_context(cafile=str(self.certificate))
        raw = socket.create_connection(("127.0.0.1", self.port), timeout=60)
        connection = http.client.HTTPSConnection(NAME, context=context)
        connection.sock = context.wrap_socket(raw, server_hostname=NAME)
        with closing(connection):
            named = {name.replace("_", "-"): value for name, value in headers.items()}
            if form is not None:
                named["Content-Type"] = "application/x-www-form-urlencoded"
            connection.request(method, path, urlencode(form or {}) if form else None, named)
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read().decode()


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def listens(port: int) -> bool:
    with socket.socket() as one:
        return one.connect_ex(("127.0.0.1", port)) == 0


def server_block(folder: Path, *, at: int, page: int) -> str:
    """Return the block of the notes, with this machine's ports and certificate in it."""
    (block,) = re.findall(r"```nginx\n(.*?)```", NOTES.read_text(encoding="utf-8"), re.DOTALL)
    for before, after in (
        ("listen 443 ssl", f"listen 127.0.0.1:{at} ssl"),
        ("/etc/ssl/loft.pem", str(folder / "loft.pem")),
        ("/etc/ssl/private/loft.key", str(folder / "loft.key")),
        ("http://127.0.0.1:8427", f"http://127.0.0.1:{page}"),
    ):
        assert before in block
        block = block.replace(before, after)
    return block


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Start the lookout and nginx before it."""
    folder = tmp_path_factory.mktemp("site")
    at, page = free_port(), free_port()
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
         "-nodes", "-days", "2", "-subj", f"/CN={NAME}", "-addext", f"subjectAltName=DNS:{NAME}",
         "-keyout", "loft.key", "-out", "loft.pem"],
        cwd=folder, check=True, capture_output=True,
    )  # fmt: skip
    settings_with(folder, f'[lookout]\nport = {page}\nnames = ["{NAME}"]\n')
    password = new_secret(folder)
    (folder / "nginx.conf").write_text(
        AROUND.format(folder=folder, server=server_block(folder, at=at, page=page)), "utf-8"
    )
    lookout = subprocess.Popen(
        [sys.executable, "-m", "controller", "lookout", str(folder / "c.toml")],
        env={**os.environ, "STATE_DIRECTORY": str(folder)}, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    proxy = subprocess.Popen(
        [str(program("nginx")), "-p", str(folder), "-e", str(folder / "error.log"),
         "-c", str(folder / "nginx.conf")],
    )  # fmt: skip
    try:
        until(lambda: listens(page) and listens(at), "page and proxy")
        yield Site(at, folder / "loft.pem", password)
    finally:
        for process in (proxy, lookout):
            process.terminate()
            process.wait(60)


def test_the_page_comes_over_tls_with_its_own_headers(site: Site) -> None:
    """The proxy takes nothing away that keeps other sites out."""
    status, headers, text = site.ask("GET", "/")

    assert status == 200
    assert "hall shelf" in text or "<title>" in text
    assert "default-src 'none'" in headers["content-security-policy"]


def test_who_signs_in_gets_a_cookie_for_tls_alone(site: Site) -> None:
    """From the page's own origin; with it the buttons are there."""
    status, headers, _ = site.ask(
        "POST", "/sign-in", {"password": site.password, "who": "Tove"}, Origin=f"https://{NAME}"
    )

    assert status == 303
    cookie = headers["set-cookie"]
    assert {"secure", "httponly", "samesite=strict"} <= {
        part.strip().lower() for part in cookie.split(";")
    }
    _, _, text = site.ask("GET", "/", Cookie=cookie.partition(";")[0])
    assert "Sign out" in text


def test_a_foreign_origin_and_a_foreign_name_are_refused(site: Site) -> None:
    """TLS changes nothing about who may ask."""
    foreign = site.ask(
        "POST", "/sign-in", {"password": site.password}, Origin="https://elsewhere.example"
    )
    assert foreign[0] == 403
    assert site.ask("GET", "/", Host="elsewhere.example")[0] == 421


def test_a_guesser_cannot_say_that_every_guess_is_another_address(site: Site) -> None:
    """The proxy overwrites what a client claims; that is why the notes set, and not append."""
    seen = [
        site.ask("POST", "/sign-in", {"password": "no"}, X_Forwarded_For=f"192.0.2.{number}")[0]
        for number in range(6)
    ]

    assert seen[:3] == [403, 403, 403]
    assert 429 in seen
