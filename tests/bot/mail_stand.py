"""A mail server on a socket that behaves and misbehaves, and one certificate of its own."""

from __future__ import annotations

import shutil
import socketserver
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import default
from pathlib import Path

import pytest

READER = BytesParser(EmailMessage, policy=default)


@dataclass
class MailStand:
    """What it answers, by the first word of a command ("" is its greeting, "." the end of a mail);
    *seen* are the commands, *mails* what it took. *tls* is offered and used where given."""

    answers: dict[str, str] = field(default_factory=dict)
    tls: ssl.SSLContext | None = None
    seen: list[str] = field(default_factory=list)
    mails: list[EmailMessage] = field(default_factory=list)
    port: int = 0

    def says(self, command: str, line: str) -> str:
        return self.answers.get(command, line)


class _Talk(socketserver.StreamRequestHandler):
    """One connection: enough of RFC 5321 for one mail after the other."""

    timeout = 10

    def handle(self) -> None:
        stand: MailStand = self.server.stand  # type: ignore[attr-defined]
        self._say(stand.says("", "220 stand"))
        while line := self.rfile.readline().decode().strip():
            stand.seen.append(line)
            word = line.split()[0].upper()
            if word == "STARTTLS" and stand.tls:
                self._say("220 go on")
                if not self._encrypted(stand.tls):
                    return
            elif word == "DATA" and "DATA" not in stand.answers:
                self._say("354 go on")
                stand.mails.append(READER.parsebytes(self._data()))
                self._say(stand.says(".", "250 taken"))
            elif word == "EHLO":
                offers = ["STARTTLS"] * bool(stand.tls) + ["AUTH PLAIN"]
                self._say("250-stand\r\n250-" + "\r\n250-".join(offers) + "\r\n250 8BITMIME")
            else:
                known = {"AUTH": "235 welcome", "QUIT": "221 bye"}
                self._say(stand.says(word, known.get(word, "250 yes")))
            if word == "QUIT":
                return

    def finish(self) -> None:
        super().finish()
        self.connection.close()

    def _say(self, line: str) -> None:
        self.wfile.write(f"{line}\r\n".encode())

    def _data(self) -> bytes:
        lines = []
        while (line := self.rfile.readline()) not in (b".\r\n", b""):
            lines.append(line.removeprefix(b".") if line.startswith(b"..") else line)
        return b"".join(lines)

    def _encrypted(self, context: ssl.SSLContext) -> bool:
        self.connection = context.wrap_socket(self.connection, server_side=True,
                                              do_handshake_on_connect=False)
        try:
            self.connection.do_handshake()
        except OSError:  # whoever calls does not trust us
            return False
        self.rfile = self.connection.makefile("rb")
        self.wfile = self.connection.makefile("wb", buffering=0)
        return True


@contextmanager
def mail_stand(**behaviour: object) -> Iterator[MailStand]:
    stand = MailStand(**behaviour)  # type: ignore[arg-type]
    server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), _Talk)
    server.daemon_threads = True
    server.stand = stand  # type: ignore[attr-defined]
    stand.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield stand
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def certificate(folder: Path) -> tuple[ssl.SSLContext, ssl.SSLContext]:
    """The context of a server whose certificate for 127.0.0.1 it signed itself, and that of
    whoever trusts it."""
    program = shutil.which("openssl")
    if program is None:
        pytest.skip("openssl is not installed")
    key, made = folder / "key.pem", folder / "made.pem"
    subprocess.run(
        [program, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
         "-nodes", "-keyout", str(key), "-out", str(made), "-days", "2", "-subj", "/CN=stand",
         "-addext", "subjectAltName=IP:127.0.0.1"],
        check=True, capture_output=True, timeout=30,
    )  # fmt: skip
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(made, key)
    return server, ssl.create_default_context(cafile=str(made))
