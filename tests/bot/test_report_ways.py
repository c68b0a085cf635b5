"""Monthly reports over the wire: mail and posts that are taken, refused, not answered; and what no
error and no server that does not encrypt is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from bot.errors import ReportNotSent
from bot.report_settings import MailServer
from bot.report_ways import Mail, Parcel, Post
from tests.bot.gateway_stand import serving
from tests.bot.mail_stand import MailStand, certificate, mail_stand

PARCEL = Parcel("TAM", "2025-03", "Report, Tamarind Čaďčić", "All is well.\n", "report", b"%PDF-1")
TO = ("juma@district.example", "nia@district.example")
WORD = "reed-boat-lamp"


# ---- by mail -----------------------------------------------------------------------------------


def mail(stand: MailStand, **more: object) -> Mail:
    server = MailServer("smtp", "127.0.0.1", stand.port, sender="reports@district.example")
    return Mail(server, TO, **more)  # type: ignore[arg-type]


def refusal(way: Mail | Post) -> str:
    with pytest.raises(ReportNotSent) as caught:
        way.send(PARCEL)
    told = str(caught.value)
    assert not any(secret in told for secret in (*TO, "example", "127.0.0.1", WORD, "Čaď"))
    assert caught.value.__suppress_context__ or caught.value.__context__ is None
    return told


def test_a_mail_has_the_pdf_and_words_to_read_without_it() -> None:
    with mail_stand() as stand:
        mail(stand).send(PARCEL)
    taken = stand.mails[0]

    assert taken["Subject"] == PARCEL.title
    assert taken["Message-ID"] == f"<{PARCEL.key}@district.example>"
    assert [s for s in stand.seen if s.startswith("rcpt")] == [f"rcpt TO:<{to}>" for to in TO]
    text, attached = list(taken.iter_parts())
    assert text.get_content().splitlines() == PARCEL.text.splitlines()
    assert attached.get_content_type() == "application/pdf"
    assert attached.get_filename() == "report.pdf"
    assert attached.get_payload(decode=True) == PARCEL.pdf


@pytest.mark.parametrize(("command", "line", "told"), [
    ("", "554 go away", "SMTPConnectError, 554"), ("MAIL", "451 later", "SMTPSenderRefused, 451"),
    ("RCPT", "550 nobody", "SMTPRecipientsRefused"), ("DATA", "452 full", "SMTPDataError, 452"),
    (".", "554 no", "SMTPDataError, 554")])
def test_a_mail_that_is_refused_is_not_sent(command: str, line: str, told: str) -> None:
    with mail_stand(answers={command: line}) as stand:
        assert told in refusal(mail(stand))


def test_a_server_that_is_down_is_tried_again_later() -> None:
    with mail_stand() as stand:
        gone = mail(stand)

    assert "ConnectionRefusedError" in refusal(gone)


def away(stand: MailStand, monkeypatch: pytest.MonkeyPatch, **more: object) -> Mail:
    """The same server as if it were not this machine, with a log-in."""
    monkeypatch.setattr("bot.report_settings.HERE", frozenset())
    server = MailServer("smtp", "127.0.0.1", stand.port, "us", "us@district.example", WORD)
    return Mail(server, TO, **more)  # type: ignore[arg-type]


def test_a_password_goes_to_no_server_that_does_not_encrypt(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    with mail_stand() as stand:
        assert "SMTPNotSupportedError" in refusal(away(stand, monkeypatch))

    assert not any(line.upper().startswith(("AUTH", "MAIL")) for line in stand.seen)


def test_nor_to_one_whose_certificate_nobody_signed(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    context, trusted = certificate(tmp_path)
    with mail_stand(tls=context) as stand:
        assert "SSLCertVerificationError" in refusal(away(stand, monkeypatch))
        assert not any(line.upper().startswith("AUTH") for line in stand.seen)
        away(stand, monkeypatch, trusted=lambda: trusted).send(PARCEL)

    assert any(line.startswith("AUTH") for line in stand.seen)
    assert len(stand.mails) == 1


# ---- posted ------------------------------------------------------------------------------------


def test_a_post_brings_the_pdf_with_the_same_key_each_time() -> None:
    with serving() as server:
        for _ in range(2):
            Post(f"{server.url}/in?key={WORD}").send(PARCEL)
    (path, headers, body), (_, again, _) = server.seen

    assert path == f"/in?key={WORD}"
    assert headers["Idempotency-Key"] == again["Idempotency-Key"] == PARCEL.key
    assert headers["Content-Type"].startswith("multipart/form-data; boundary=")
    assert 'name="report"; filename="report.pdf"' in body
    assert "%PDF-1" in body
    assert 'name="month"\r\n\r\n2025-03\r\n' in body
    assert 'name="district"\r\n\r\nTAM\r\n' in body


@pytest.mark.parametrize("status", [302, 400, 401, 404, 409, 429, 500, 503])
def test_a_post_that_was_not_taken_is_not_sent(status: int) -> None:
    with serving() as server:
        server.status = status
        server.headers = {"Location": "/elsewhere"} if status == 302 else {}
        assert f"HTTP {status}" in refusal(Post(f"{server.url}/in?key={WORD}"))

    assert [path for path, _, _ in server.seen] == [f"/in?key={WORD}"]


def test_a_post_without_an_answer_is_not_sent() -> None:
    with serving() as server:
        server.answer = None
        assert "ConnectionError" in refusal(Post(server.url))
    assert "ConnectionError" in refusal(Post(server.url))  # and nobody is there any more
