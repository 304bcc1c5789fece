"""`duskbell setup`, typed and by options: each answer tried at once, kept, and never asked twice."""

from __future__ import annotations

import re
import stat
from collections.abc import Callable
from email import message_from_bytes, policy

import pytest
import responses
from sqlalchemy import select

from service.setup import tries
from service.store.repositories import subscriptions
from service.store.schema.core_tables import AddressRow
from tests.integration.channels.channel_receivers import Receiver, Talk
from tests.integration.channels.mail_relays import Relay, running
from tests.integration.delivery.receivers import Hook, answer
from tests.integration.delivery.test_doctor_of_mail import certificate
from tests.integration.setup.conftest import MET_NORWAY, Fresh

pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
"""apprise imports it still."""
PLACE = ("Windpump Flat", "59.0 N, 10.0 E", "63", "-")
"""The last: no home."""
SAID = ("--mail", "you@example.org", "--contact", "you@example.org", "--noncommercial")
PLACED = ("--place", "Windpump Flat", "--at", "59,10", "--elevation", "63")


def code_in(relay: Relay) -> Callable[[], str]:
    """The code of the newest mail, read when it is asked for."""

    def read() -> str:
        mail = message_from_bytes(relay.taken[-1][2], policy=policy.default)
        text = mail.get_body(("plain",))
        assert text is not None
        found = re.search(r"Code: (\w+)", text.get_content())
        assert found is not None
        return found[1]

    return read


def mail_options(relay: Relay) -> tuple[str, ...]:
    return (
        *("--smtp-host", "127.0.0.1", "--smtp-port", str(relay.port)),  # type: ignore[attr-defined]
        *("--smtp-security", "none"),
    )


def told(fresh: Fresh) -> list[tuple[str, str, bool]]:
    """Who is told of what, and whether it is confirmed."""
    wired = fresh.duskbell()
    with wired.sessions() as session:
        found = [
            (row.address.channel, row.site.name, row.address.confirmed_at is not None)
            for row in subscriptions.running_subscriptions(session)
        ]
    wired.engine.dispose()
    return found


def test_typed_from_nothing_to_a_bell_that_its_reader_confirmed(
    fresh: Fresh, feeds: responses.RequestsMock, relay: Relay
) -> None:
    ran = fresh.typed(
        "you@example.org",
        "you@example.org",  # the contact
        *("", "y"),  # non-commercial, which enter alone doesn't declare
        *PLACE,
        *("m", "127.0.0.1", str(relay.port), "none", "ada", "correct horse", "bell@example.org"),  # type: ignore[attr-defined]
        "c",  # that relay takes no login
        *("", "", "", "-", ""),
        code_in(relay),
        "",  # nowhere else
    )
    assert ran.exit_code == 0, ran.output
    for said in (
        "MET Norway and Open-Meteo answered for Windpump Flat, with 2 model families.",
        "Confirmed.",
        "It rings there for Windpump Flat",
        "The next nights worth it at Windpump Flat",
        "This address leads to this machine alone, so a phone can't open it",
        "/sign-in/",
        "▄",
    ):
        assert said in ran.output, said
    assert "correct horse" not in ran.output
    settings = fresh.duskbell().settings
    assert (settings.operator_email, settings.contact) == ("you@example.org", "you@example.org")
    assert (settings.open_meteo_noncommercial, settings.mail_from) == (True, "bell@example.org")
    assert (settings.smtp_user, settings.smtp_password) == ("", None)
    assert stat.S_IMODE(fresh.file.stat().st_mode) == 0o600
    assert told(fresh) == [("email", "Windpump Flat", True)]


def test_by_options_alone_and_once_more_without_any(
    fresh: Fresh, feeds: responses.RequestsMock, relay: Relay
) -> None:
    ran = fresh.script(*SAID, *PLACED, *mail_options(relay))
    assert ran.exit_code == 0, ran.output
    assert "look whether it arrived" in ran.output
    assert "/sign-in/" not in ran.output, "a script's log is no place for a way in"
    assert told(fresh) == [("email", "Windpump Flat", True)]
    before, mails = fresh.file.read_bytes(), len(relay.taken)
    again = fresh.script()
    assert again.exit_code == 0, again.output
    assert (fresh.file.read_bytes(), len(relay.taken)) == (before, mails)
    assert told(fresh) == [("email", "Windpump Flat", True)]


def test_again_enter_keeps_everything(fresh: Fresh, feeds: responses.RequestsMock, relay: Relay) -> None:
    fresh.script(*SAID, *PLACED, *mail_options(relay))
    before = fresh.file.read_bytes()
    ran = fresh.typed(*[""] * 8)
    assert ran.exit_code == 0, ran.output
    assert "Your mail address [you@example.org]" in ran.output
    assert "Coordinates, as you have them, latitude first [59, 10]" in ran.output
    assert fresh.file.read_bytes() == before
    assert told(fresh) == [("email", "Windpump Flat", True)]


def test_again_an_option_changes_what_it_names_alone(
    fresh: Fresh, feeds: responses.RequestsMock, relay: Relay
) -> None:
    fresh.script(*SAID, *PLACED, *mail_options(relay))
    ran = fresh.script(
        "--contact", "https://bell.example.org", "--place", "Windpump Flat", "--at", "59.05,10"
    )
    assert ran.exit_code == 0, ran.output
    assert "Windpump Flat at 59.0500° N, 10.0000° E, 63 m" in ran.output
    settings = fresh.duskbell().settings
    assert (settings.contact, settings.smtp_host) == ("https://bell.example.org", "127.0.0.1")
    assert len(told(fresh)) == 1


def test_row_191_without_a_terminal_the_missing_options_are_named_and_nothing_is_kept(fresh: Fresh) -> None:
    ran = fresh.script("--mail", "you@example.org", "--at", "59,10")
    assert ran.exit_code == 2
    for option in ("--contact", "--noncommercial", "--place", "--smtp-host, --push, --chat or --only-here"):
        assert option in ran.output
    assert "--mail;" not in ran.output
    assert not fresh.file.exists()
    asked = fresh.typed(options=("--no-input",))
    assert asked.exit_code == 2


def test_nothing_set_by_the_environment_is_asked(
    fresh: Fresh, feeds: responses.RequestsMock, relay: Relay
) -> None:
    for name, value in {
        "CONTACT": "ops@example.org",
        "OPEN_METEO_NONCOMMERCIAL": "true",
        "OPERATOR_EMAIL": "you@example.org",
        "SMTP_HOST": "127.0.0.1",
        "SMTP_PORT": str(relay.port),  # type: ignore[attr-defined]
        "SMTP_SECURITY": "none",
        "MAIL_FROM": "bell@example.org",
    }.items():
        fresh.monkeypatch.setenv(f"DUSKBELL_{name}", value)
    ran = fresh.typed(*PLACE, code_in(relay))
    assert ran.exit_code == 0, ran.output
    assert "ops@example.org (set by DUSKBELL_CONTACT; setup can't change that)" in ran.output
    assert told(fresh) == [("email", "Windpump Flat", True)]
    assert not fresh.file.exists()


def test_row_185_an_answer_against_the_environment_is_refused(fresh: Fresh) -> None:
    fresh.monkeypatch.setenv("DUSKBELL_CONTACT", "ops@example.org")
    ran = fresh.script(*SAID, *PLACED, "--only-here", "--no-try")
    assert "DUSKBELL_CONTACT" in str(ran.exception)


def test_only_here_writes_files_and_rings_there(fresh: Fresh, feeds: responses.RequestsMock) -> None:
    ran = fresh.script(*SAID, *PLACED, "--only-here")
    assert ran.exit_code == 0, ran.output
    assert "The test message lies in" in ran.output
    assert len(list((fresh.folder / "outbox").glob("*.eml"))) == 1
    assert told(fresh) == [("email", "Windpump Flat", True)]


def test_without_a_try_nothing_is_sent_or_asked(fresh: Fresh, relay: Relay) -> None:
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mock:
        ran = fresh.script(*SAID, *PLACED, *mail_options(relay), "--no-try")
        assert len(mock.calls) == 0
    assert (ran.exit_code, relay.taken) == (0, [])
    assert told(fresh) == [("email", "Windpump Flat", True)]


def test_row_188_a_relay_that_refuses_is_told_with_a_mend_and_may_be_kept(
    fresh: Fresh, feeds: responses.RequestsMock
) -> None:
    refusing = Relay(sender="550 5.7.1 not for you")
    with running(refusing) as server:
        refusing.port = server.port  # type: ignore[attr-defined]
        scripted = fresh.script(*SAID, *PLACED, *mail_options(refusing))
    assert scripted.exit_code == 1
    assert "the mail server answered 550 5.7.1 not for you" in scripted.output
    assert "the relay must allow that sender" in scripted.output
    assert fresh.duskbell().settings.smtp_host == "127.0.0.1"


def test_row_188_a_relay_that_is_not_there_can_be_changed_at_once(
    fresh: Fresh, feeds: responses.RequestsMock, relay: Relay
) -> None:
    with running(Relay()) as gone:
        port = gone.port
    ran = fresh.typed(
        *("you@example.org", "", "y", *PLACE),
        *("m", "127.0.0.1", str(port), "none", "-", ""),
        *("c", "", str(relay.port), "", "", ""),  # type: ignore[attr-defined]
        code_in(relay),
        "",
    )
    assert ran.exit_code == 0, ran.output
    assert "Check smtp_host and smtp_port." in ran.output
    assert fresh.duskbell().settings.smtp_port == relay.port  # type: ignore[attr-defined]


def test_row_188_a_relay_that_hangs_is_given_up(
    fresh: Fresh, feeds: responses.RequestsMock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tries, "RELAY_STEP_S", 0.3)
    with Receiver(Talk.hang) as hanging:
        options = ("--smtp-host", "127.0.0.1", "--smtp-port", str(hanging.port), "--smtp-security", "none")
        ran = fresh.script(*SAID, *PLACED, *options)
    assert ran.exit_code == 1
    assert "the mail server took too long" in ran.output


def test_row_188_a_certificate_that_nobody_vouches_for(fresh: Fresh, feeds: responses.RequestsMock) -> None:
    with running(Relay(), tls_context=certificate(), require_starttls=True) as server:
        options = ("--smtp-host", "127.0.0.1", "--smtp-port", str(server.port))
        ran = fresh.script(*SAID, *PLACED, *options)
    assert ran.exit_code == 1
    assert "Its certificate must be valid for the name in smtp_host." in ran.output


def test_a_wrong_code_is_said_and_nothing_typed_is_taken_on_ones_word(
    fresh: Fresh, feeds: responses.RequestsMock, relay: Relay
) -> None:
    ran = fresh.typed(
        *("you@example.org", "", "y", *PLACE),
        *("m", "127.0.0.1", str(relay.port), "none", "-", "", "abcdefgh", "", "k", ""),  # type: ignore[attr-defined]
    )
    assert "That isn't the code." in ran.output
    assert "Nobody has confirmed it." in ran.output
    assert ran.exit_code == 1, "kept, though nobody confirmed it"
    assert told(fresh) == [("email", "Windpump Flat", True)]


def test_row_189_a_chat_that_answers_404_is_told_and_left_out(
    fresh: Fresh, feeds: responses.RequestsMock
) -> None:
    hook = Hook(lambda _: answer("404 Not Found"))
    with Receiver(hook.script) as receiver:
        fresh.monkeypatch.setenv("DUSKBELL_WEBHOOK_ALLOW", f'["127.0.0.1:{receiver.port}"]')
        url = f"http://127.0.0.1:{receiver.port}/room"
        ran = fresh.typed("you@example.org", "", "y", *PLACE, "c", "text", url, "l", "h", "")
    assert ran.exit_code == 0, ran.output
    assert "The service knows no such address" in ran.output
    assert [channel for channel, _, _ in told(fresh)] == ["email"]


def test_a_chat_that_answers_with_the_code_is_confirmed(fresh: Fresh, feeds: responses.RequestsMock) -> None:
    heard: list[bytes] = []

    def echo(talk: Talk) -> None:
        _, _, body = talk.hear_request()
        heard.append(body)
        talk.say(answer("200 OK", body))

    with Receiver(echo) as receiver:
        fresh.monkeypatch.setenv("DUSKBELL_WEBHOOK_ALLOW", f'["127.0.0.1:{receiver.port}"]')
        url = f"http://127.0.0.1:{receiver.port}/room"
        ran = fresh.script(*SAID, *PLACED, "--chat", "text", url)
    assert ran.exit_code == 0, ran.output
    assert told(fresh) == [("text", "Windpump Flat", True)]
    assert len(heard) == 1


def test_an_address_inside_is_not_called(fresh: Fresh, feeds: responses.RequestsMock) -> None:
    ran = fresh.script(*SAID, *PLACED, "--chat", "text", "https://127.0.0.1/room")
    assert "127.0.0.1" in str(ran.exception)
    assert told(fresh) == []


def test_a_push_service_is_kept_in_the_file_and_never_shown(
    fresh: Fresh, feeds: responses.RequestsMock
) -> None:
    hook = Hook()
    with Receiver(hook.script) as receiver:
        feeds.add_passthru(f"http://127.0.0.1:{receiver.port}")
        file = fresh.folder / "push.txt"
        file.write_text(f"json://127.0.0.1:{receiver.port}/hidden-token\n")
        ran = fresh.script(*SAID, *PLACED, "--push", str(file))
    assert ran.exit_code == 0, ran.output
    assert "hidden-token" not in ran.output
    assert "hidden-token" in fresh.file.read_text()
    assert len(hook.heard) == 1
    assert told(fresh) == [("named", "Windpump Flat", True)]


def test_row_193_one_provider_alone_is_told_and_the_declaration_mends_it_at_once(
    fresh: Fresh, feeds: responses.RequestsMock
) -> None:
    ran = fresh.typed(
        *("you@example.org", "", "n", "", *PLACE[:3]),
        *("f", "", "y"),  # the feeds again, declared now
        *("-", "h", ""),
    )
    assert ran.exit_code == 0, ran.output
    assert "Only MET Norway answered for Windpump Flat, and a go needs two providers." in ran.output
    assert "nothing rings then" in ran.output
    assert "with 2 model families" in ran.output


def test_row_193_feeds_that_are_down_are_told_and_the_answers_kept(fresh: Fresh) -> None:
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mock:
        mock.add(
            responses.GET, re.compile(r"https://.*open-meteo\.com/.*"), status=400, json={"reason": "no"}
        )
        mock.add(responses.GET, MET_NORWAY, status=400)
        ran = fresh.script(*SAID, *PLACED, "--only-here")
    assert ran.exit_code == 1
    assert "Kept, though its try went wrong: No feed answered for Windpump Flat." in ran.output
    assert told(fresh) == [("email", "Windpump Flat", True)]


def test_row_190_stopped_in_the_middle_what_was_confirmed_is_kept_and_not_asked_again(
    fresh: Fresh, feeds: responses.RequestsMock
) -> None:
    ran = fresh.typed("you@example.org", "", "y", *PLACE, KeyboardInterrupt)
    assert ran.exit_code == 130
    assert "What was confirmed is kept" in ran.output
    again = fresh.typed("", "h", "")  # no home, again
    assert again.exit_code == 0, again.output
    assert told(fresh) == [("email", "Windpump Flat", True)]


def test_what_can_not_be_read_is_asked_again_with_the_reason(
    fresh: Fresh, feeds: responses.RequestsMock
) -> None:
    ran = fresh.typed(
        *("nobody", "you@example.org", "nowhere", "https://bell.example.org", "y"),
        *("Windpump Flat", "somewhere", "159, 10", "59, 10", "high", "63", "-", "h", ""),
    )
    assert ran.exit_code == 0, ran.output
    for said in ("nobody", "latitude 159 is outside -90..90", "'high' is no number"):
        assert said in ran.output


def test_row_194_a_place_at_sea_is_asked_about(fresh: Fresh, feeds: responses.RequestsMock) -> None:
    ran = fresh.typed(
        *("you@example.org", "", "y", "Skerry", "52.0, 3.5"),
        *("n", "n", "59, 10", "63", "-", "h", ""),  # nor the other way round
    )
    assert ran.exit_code == 0, ran.output
    assert "lies at sea" in ran.output
    assert told(fresh) == [("email", "Skerry", True)]


def test_row_194_a_script_says_that_it_is_sure_of_a_place_at_sea(fresh: Fresh) -> None:
    at_sea = ("--place", "Skerry", "--at", "52.0, 3.5", "--only-here", "--no-try")
    refused = fresh.script(*SAID, *at_sea)
    assert (refused.exit_code, "Say --yes" in refused.output) == (2, True)
    assert fresh.script(*SAID, *at_sea, "--yes").exit_code == 0
    assert told(fresh) == [("email", "Skerry", True)]


def test_home_is_kept_to_about_a_kilometre_and_drives_are_estimated_from_it(
    fresh: Fresh, feeds: responses.RequestsMock
) -> None:
    ran = fresh.typed(
        *("you@example.org", "", "y", *PLACE[:3]),
        *("59.4321, 10.4321", "fast", "5", "60", "h", ""),
    )
    assert "'fast' is no speed" in ran.output
    assert "the usual speed must lie between" in ran.output
    assert ran.exit_code == 0, ran.output
    assert "59.43, 10.43 (kept to about 1 km), at 60 km/h; about" in ran.output
    shown = fresh.script("--speed", "80")
    assert "at 80 km/h" in shown.output
    far = fresh.script("--home", "40.31,-1.42")
    assert "km from home" in far.output
    gone = fresh.typed("", "", "", "", "", "", "-", "")
    assert "None is known" in gone.output


def test_another_address_of_ones_own_is_confirmed_and_rings_and_the_old_one_is_named(
    fresh: Fresh, feeds: responses.RequestsMock, relay: Relay
) -> None:
    fresh.script(*SAID, *PLACED, *mail_options(relay))
    ran = fresh.script("--mail", "other@example.org")
    assert ran.exit_code == 0, ran.output
    assert "you@example.org stays an address of yours too." in ran.output
    assert "duskbell address off 1" in ran.output
    assert relay.taken[-1][1] == ["other@example.org"]
    assert fresh.duskbell().settings.operator_email == "other@example.org"
    assert told(fresh) == [("email", "Windpump Flat", True)] * 2


def test_another_place_rings_where_it_rings_and_what_was_left_stays_left(
    fresh: Fresh, feeds: responses.RequestsMock, relay: Relay
) -> None:
    fresh.script(*SAID, *PLACED, *mail_options(relay))
    added = fresh.script("--place", "Salt Pan", "--at", "59.05, 10.05", "--no-try")
    assert added.exit_code == 0, added.output
    assert [site for _, site, _ in told(fresh)] == ["Windpump Flat", "Salt Pan"]
    wired = fresh.duskbell()
    with wired.sessions.begin() as session:
        subscriptions.end_subscription(
            session, subscriptions.get_subscription(session, 2), wired.clock(), "left"
        )
    wired.engine.dispose()
    fresh.script(*mail_options(relay))
    assert [site for _, site, _ in told(fresh)] == ["Windpump Flat"]


def test_row_186_a_broken_file_stops_it_with_its_name(fresh: Fresh) -> None:
    fresh.file.write_text("contact = \n")
    ran = fresh.script(*SAID, *PLACED, "--only-here")
    assert "duskbell.toml can't be read as TOML" in str(ran.exception)
    assert fresh.file.read_text() == "contact = \n"


def test_secrets_are_options_of_files_alone(fresh: Fresh) -> None:
    told_by_help = fresh.script("--help").output
    assert "--smtp-password-file" in told_by_help
    assert re.search(r"--smtp-password\b(?!-file)", told_by_help) is None
    wrong = fresh.folder / "two-lines"
    wrong.write_text("a\nb\n")
    ran = fresh.script("--smtp-password-file", str(wrong))
    assert (ran.exit_code, "one line" in ran.output) == (2, True)


def test_the_operators_own_address_signs_in_as_the_operator(
    fresh: Fresh, feeds: responses.RequestsMock
) -> None:
    fresh.script(*SAID, *PLACED, "--only-here")
    wired = fresh.duskbell()
    with wired.sessions() as session:
        row = session.scalars(select(AddressRow)).one()
        assert (row.target, row.is_own, row.person.is_operator) == ("you@example.org", True, True)
    wired.engine.dispose()
