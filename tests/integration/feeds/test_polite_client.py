"""The client against real servers that misbehave."""

import gzip
import socket
import threading
import time

import pytest

from alerts.common.errors import BadInput
from service.common.deadline import Deadline, SocketTimer
from service.feeds.shared.checked_answers import BadAnswer, FeedDown, FeedRefused, FeedThrottled
from service.feeds.shared.http_client import Limits, PoliteClient, Request, identify
from tests.integration.feeds.feed_data import QUICK, SOON_S, Clocks, held_client, quick_client
from tests.integration.feeds.feed_server import response, say, serving

OK = say(response(body=b'{"fine": true}'))


def test_an_answer_comes_with_its_headers_and_its_time():
    clocks = Clocks()
    with serving(say(response(body=b"[1]", Last_Modified="Fri, 09 Oct 2026 11:00:00 GMT"))) as server:
        answer = held_client(clocks).get(Request(f"{server.url}/v1/forecast", {"latitude": "59.9139"}))
    assert (answer.status, answer.body, answer.fetched_at) == (200, b"[1]", clocks.now)
    assert answer.headers["last-modified"] == "Fri, 09 Oct 2026 11:00:00 GMT"
    assert not answer.not_modified
    assert server.seen[0].path == "/v1/forecast?latitude=59.9139"


def test_the_client_says_who_asks_and_takes_gzip():
    body = b'{"a": 1}' * 500
    packed = gzip.compress(body)
    with serving(say(response(body=packed, Content_Encoding="gzip"))) as server:
        answer = quick_client().get(Request(server.url))
    assert answer.body == body
    sent = server.seen[0].headers
    assert sent["user-agent"].startswith("duskbell/")
    assert sent["user-agent"].endswith("(ops@example.org)")
    assert sent["accept-encoding"] == "gzip"


@pytest.mark.parametrize("contact", ["", "   ", "nobody", "an\nother@example.org", "ö@example.org"])
def test_a_contact_that_reaches_nobody_is_refused(contact):
    with pytest.raises(BadInput, match="contact"):
        identify(contact)


@pytest.mark.parametrize("user_agent", ["", "Duskbell/1", "Duskbell/1 ()", "Duskbell/1 ( )"])
def test_a_client_without_a_contact_is_refused(user_agent):
    with pytest.raises(BadInput, match="contact"):
        PoliteClient(user_agent)


def test_conditions_are_sent_word_for_word_and_304_means_unchanged():
    told = "Wed,  01 Jan 2025 00:00:00 GMT"
    with serving(say(response(304, b"", Content_Length=""))) as server:
        answer = quick_client().get(
            Request(server.url, headers={"If-Modified-Since": told, "If-None-Match": '"abc"'})
        )
    assert answer.not_modified
    assert server.seen[0].headers["if-modified-since"] == told.lower()
    assert server.seen[0].headers["if-none-match"] == '"abc"'


HEAD = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n"
SLOW = [
    pytest.param(lambda talk: talk.hang(), id="row_20_silence_after_the_request"),
    pytest.param(lambda talk: talk.drip(response(body=b"x" * 500)), id="row_21_slow_drip_of_headers"),
    pytest.param(
        lambda talk: (talk.say(HEAD + b"\r\n"), talk.drip(b"x" * 500)), id="row_21_slow_drip_of_an_open_body"
    ),
    pytest.param(
        lambda talk: (talk.say(HEAD + b"Content-Length: 500\r\n\r\n"), talk.drip(b"x" * 500)),
        id="row_21_slow_drip_of_a_counted_body",
    ),
    pytest.param(lambda talk: (talk.say(HEAD + b"\r\n{}"), talk.hang()), id="row_21_a_body_that_never_ends"),
    pytest.param(lambda talk: talk.drip(b"HTTP/1.1 100 Wait\r\n\r\n" * 99, 0.01), id="row_21_endless_100s"),
]


@pytest.mark.parametrize("script", SLOW)
def test_whatever_is_slow_ends_at_the_deadline_and_is_no_success(script):
    client = quick_client(limits=Limits(0.5, 0.4, 0.6, tries=3))
    began = time.monotonic()
    with serving(script) as server, pytest.raises(FeedDown, match=r"too long|in time"):
        client.get(Request(server.url))
    assert time.monotonic() - began < SOON_S


def test_row_21_a_shared_deadline_ends_a_request_sooner():
    client = quick_client(limits=Limits(60, 60, 90, tries=3))
    began = time.monotonic()
    with serving(lambda talk: talk.hang()) as server, pytest.raises(FeedDown):
        client.get(Request(server.url), client.deadline(0.3))
    assert time.monotonic() - began < SOON_S


def test_row_21_a_socket_that_opens_after_the_end_is_closed_at_once():
    ours, theirs = socket.socketpair()
    with ours, theirs, SocketTimer(60) as watch:
        watch.cut()
        watch.watch(ours)
        theirs.settimeout(2)
        assert theirs.recv(1) == b""


def test_nothing_is_asked_when_no_time_is_left():
    client = quick_client()
    with serving(OK) as server, pytest.raises(FeedDown, match="no time was left"):
        client.get(Request(server.url), Deadline(0))
    assert server.seen == []


def test_row_31_a_huge_body_is_stopped_at_the_cap():
    client = quick_client(limits=Limits(5, 5, 10, size=100_000, tries=1))
    flood = serving(lambda talk: (talk.say(HEAD + b"\r\n"), talk.flood(b"x" * 8192)))
    with flood as server, pytest.raises(BadAnswer, match="more than 100,000 bytes"):
        client.get(Request(server.url))


def test_row_31_a_gzip_bomb_is_stopped_at_the_cap():
    bomb = gzip.compress(b"0" * 50_000_000)
    client = quick_client(limits=Limits(1, 2, 5, tries=1))
    bombing = serving(say(response(body=bomb, Content_Encoding="gzip")))
    with bombing as server, pytest.raises(BadAnswer, match="more than 2,000,000 bytes"):
        client.get(Request(server.url))


BROKEN = [
    pytest.param(say(HEAD + b'Content-Length: 900\r\n\r\n{"half": '), id="row_22_a_body_cut_off"),
    pytest.param(say(HEAD + b"Transfer-Encoding: chunked\r\n\r\n5\r\n{}"), id="row_22_a_chunk_cut_off"),
    pytest.param(
        say(HEAD + b"Content-Encoding: gzip\r\nContent-Length: 5\r\n\r\nhello"), id="row_22_no_gzip"
    ),
    pytest.param(say(b"HTTP/1.1 2"), id="row_22_headers_cut_off"),
    pytest.param(say(b"SSH-2.0-OpenSSH_9.2\r\n"), id="no HTTP at all"),
    pytest.param(lambda talk: None, id="hung up at once"),
]


@pytest.mark.parametrize("script", BROKEN)
def test_an_answer_that_breaks_off_is_down_and_no_success(script):
    with serving(script) as server, pytest.raises(FeedDown) as caught:
        quick_client().get(Request(f"{server.url}/v1/forecast", {"latitude": "59.9139"}))
    assert "/v1/forecast" in str(caught.value)
    assert "59.9139" not in str(caught.value)


def test_row_20_a_closed_port_is_told():
    with socket.create_server(("127.0.0.1", 0)) as closed:
        port = closed.getsockname()[1]
    with pytest.raises(FeedDown, match="can't be reached"):
        quick_client().get(Request(f"http://127.0.0.1:{port}/"))


def test_row_20_a_name_that_does_not_exist_is_told(monkeypatch):
    def unknown(*_, **__):
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    with pytest.raises(FeedDown, match="name lookup failed"):
        quick_client().get(Request("http://feed.invalid/"))


def test_row_20_a_name_lookup_that_hangs_ends_at_the_deadline(monkeypatch):
    waiting = threading.Event()
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: waiting.wait(60) and [])
    began = time.monotonic()
    with pytest.raises(FeedDown, match=r"in time|too long"):
        quick_client(limits=QUICK).get(Request("http://feed.invalid/"))
    waiting.set()
    assert time.monotonic() - began < SOON_S


def test_a_second_address_is_tried_when_the_first_is_dead(monkeypatch):
    with serving(OK) as server, socket.create_server(("127.0.0.1", 0)) as closed:
        dead = closed.getsockname()[1]
        closed.close()
        family = (socket.AF_INET, socket.SOCK_STREAM, 6, "")
        monkeypatch.setattr(
            socket,
            "getaddrinfo",
            lambda *_, **__: [(*family, ("127.0.0.1", dead)), (*family, ("127.0.0.1", server.port))],
        )
        assert quick_client().get(Request(f"http://feed.invalid:{server.port}/")).status == 200


def held_to(clocks, scripts, **how):
    """The answer, the server and the pauses of a client on held clocks."""
    with serving(*scripts) as server:
        try:
            outcome = held_client(clocks).get(Request(server.url, **how))
        except (FeedDown, FeedThrottled) as error:
            outcome = error
    return outcome, len(server.seen), clocks.slept


def down(status, **headers):
    return say(response(status, b"", **headers))


@pytest.mark.parametrize(
    ("scripts", "asked", "pauses"),
    [
        pytest.param([down(503), OK], 2, [0.5], id="row_19_503_then_well"),
        pytest.param([down(500), down(502), OK], 3, [0.5, 1.0], id="row_19_500_and_502_then_well"),
        pytest.param([lambda talk: None, OK], 2, [0.5], id="row_20_hung_up_then_well"),
        pytest.param([down(429, Retry_After="7"), OK], 2, [7.0], id="row_18_429_with_seconds"),
        pytest.param(
            [down(429, Retry_After="Fri, 09 Oct 2026 12:00:09 GMT"), OK],
            2,
            [9.0],
            id="row_18_429_with_a_date",
        ),
        pytest.param([down(429), OK], 2, [5.0], id="row_18_429_without_a_word"),
    ],
)
def test_what_passes_is_tried_again_after_a_pause(scripts, asked, pauses):
    outcome, seen, slept = held_to(Clocks(), scripts)
    assert (outcome.status, seen, slept) == (200, asked, pauses)


@pytest.mark.parametrize(
    ("script", "asked", "pauses", "kind"),
    [
        pytest.param(down(503), 3, [0.5, 1.0], FeedDown, id="row_19_down_for_good"),
        pytest.param(down(429, Retry_After="20"), 2, [20.0], FeedThrottled, id="row_18_no_time_for_a_third"),
        pytest.param(down(429, Retry_After="31"), 1, [], FeedThrottled, id="row_18_a_wait_too_long_for_now"),
        pytest.param(down(429, Retry_After="99999"), 1, [], FeedThrottled, id="row_18_a_day"),
    ],
)
def test_tries_and_pauses_stay_within_the_whole_time(script, asked, pauses, kind):
    outcome, seen, slept = held_to(Clocks(), [script])
    assert (type(outcome), seen, slept) == (kind, asked, pauses)


def test_row_18_a_feed_that_blocks_the_insistent_is_asked_once():
    outcome, seen, slept = held_to(Clocks(), [down(429)], tries_when_throttled=1)
    assert (type(outcome), seen, slept) == (FeedThrottled, 1, [])


def test_row_18_the_wait_comes_with_the_error():
    outcome, _, _ = held_to(Clocks(), [down(429, Retry_After="600")])
    assert outcome.retry_after.total_seconds() == 600


@pytest.mark.parametrize(
    ("status", "body", "words"),
    [
        (400, b'{"error":true,"reason":"Invalid timezone"}', "It says: Invalid timezone"),
        (404, b'{"status":404,"detail":"Unable to provide data"}', "It says: Unable to provide data"),
        (422, b"Outside of coverage area\n", "It says: Outside of coverage area"),
        (403, b"<html><body>Forbidden</body></html>", r"\(403\)\.$"),
        (410, b"", r"\(410\)\.$"),
    ],
)
def test_a_refusal_is_final_and_told_in_the_feeds_words(status, body, words):
    with serving(say(response(status, body))) as server, pytest.raises(FeedRefused, match=words) as caught:
        quick_client(limits=Limits(5, 5, 10, tries=3)).get(Request(server.url))
    assert (caught.value.status, caught.value.permanent, len(server.seen)) == (status, True, 1)


def test_no_control_characters_come_through_with_a_feeds_words():
    with (
        serving(say(response(400, b"red\x1b[31m\r\nlog: forged"))) as server,
        pytest.raises(FeedRefused) as caught,
    ):
        quick_client().get(Request(server.url))
    assert str(caught.value).isprintable()


def test_203_is_used_and_warned_about(caplog):
    with serving(say(response(203, b"{}"))) as server:
        assert quick_client().get(Request(server.url)).body == b"{}"
    assert "deprecated" in caplog.text


def test_a_redirect_within_the_host_is_followed():
    moved = say(response(301, b"", Location="/points/47.6553,-122.5354"))
    with serving(moved, OK) as server:
        answer = quick_client().get(Request(f"{server.url}/points/47.65530,-122.53540", {"a": "b"}))
    assert answer.status == 200
    assert answer.url == f"{server.url}/points/47.6553,-122.5354"
    assert [talk.path for talk in server.seen][1] == "/points/47.6553,-122.5354"


REDIRECTS = [
    pytest.param("http://other.invalid/", id="row_32_to_another_host"),
    pytest.param("http://127.0.0.1:1/", id="row_32_to_another_port"),
    pytest.param("https://127.0.0.1/", id="row_32_to_another_scheme"),
    pytest.param("//other.invalid/", id="row_32_to_another_host_without_a_scheme"),
    pytest.param("file:///etc/passwd", id="row_32_to_a_file"),
    pytest.param("http://127.0.0.1:port/", id="row_32_to_no_port_at_all"),
    pytest.param("", id="row_32_to_nowhere"),
]


@pytest.mark.parametrize("target", REDIRECTS)
def test_a_redirect_elsewhere_is_not_followed(target):
    redirecting = serving(say(response(302, b"", Location=target)))
    with redirecting as server, pytest.raises(FeedRefused, match="redirects elsewhere"):
        quick_client(limits=Limits(5, 5, 10, tries=3)).get(Request(server.url))
    assert len(server.seen) == 1


def test_row_32_a_redirect_in_circles_ends():
    redirecting = serving(say(response(301, b"", Location="/again")))
    with redirecting as server, pytest.raises(FeedRefused, match="in circles"):
        quick_client(limits=Limits(5, 5, 10, tries=3)).get(Request(server.url))
    assert len(server.seen) == 4


def test_a_key_never_shows_in_an_error():
    secret = "k3y-of-a-customer"
    for script in (
        down(500),
        down(403),
        lambda talk: None,
        say(response(302, b"", Location="http://x.invalid/")),
    ):
        with serving(script) as server, pytest.raises((FeedDown, FeedRefused)) as caught:
            quick_client().get(Request(server.url, {"apikey": secret}, {"X-Api-Key": secret}))
        assert secret not in repr(caught.value)


def test_proxies_of_the_environment_are_left_alone(monkeypatch):
    with serving(OK) as server, serving(down(502)) as proxy:
        monkeypatch.setenv("http_proxy", proxy.url)
        monkeypatch.delenv("no_proxy", raising=False)
        assert quick_client().get(Request(server.url)).status == 200
    assert proxy.seen == []


def test_the_default_times_are_those_promised():
    assert (Limits().connect_s, Limits().read_s, Limits().whole_s) == (5, 10, 30)
    assert QUICK.whole_s < 1
