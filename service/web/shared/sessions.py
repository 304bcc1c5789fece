"""What a signed-in browser is given, and what it is called. Its rows: `repositories.browsers`.

What can't be undone, or hands out all at once, asks for a sign-in of the last 15 minutes (`require_fresh`).
"""

from __future__ import annotations

import re
from datetime import timedelta

from fastapi import Request, Response

from alerts.common.phrases import say
from service.web.shared.context import Web

FRESH_FOR = timedelta(minutes=15)
SEEN_TO = timedelta(hours=1)
"""How exactly it is kept when a browser was last seen: looking at pages shouldn't write."""
COOKIE = "duskbell"
"""Over https it carries the __Host- prefix (RFC 6265bis, section 4.1.3.2): no other host can set it."""
FORGET = '"cache", "storage"'
"""Clear-Site-Data, W3C Working Draft 2017: storage takes the worker and the field pages that it kept, which
tell exact places. Not "cookies": that would sign its reader out of everything else on the same domain, and
ours is taken back by itself. Browsers heed it over https alone, and over http there is no worker."""


PROGRAMS = (
    (r"Edg(e|A|iOS)?/", "Edge"),
    (r"OPR/|Opera", "Opera"),
    (r"SamsungBrowser/", "Samsung Internet"),
    (r"Firefox/|FxiOS/", "Firefox"),
    (r"Chrome/|CriOS/|Chromium/", "Chrome"),
    (r"Safari/", "Safari"),
)
"""Which program, the first that fits: most also name those below."""
DEVICES = (
    (r"iPhone", "an iPhone"),
    (r"iPad", "an iPad"),
    (r"Android", "Android"),
    (r"Windows", "Windows"),
    (r"Macintosh|Mac OS X", "a Mac"),
    (r"CrOS", "ChromeOS"),
    (r"Linux|X11", "Linux"),
)


def roughly(user_agent: str) -> str:
    """What a browser calls itself, in few words: `Firefox on Linux`. The rest of it isn't kept."""
    program = next((name for pattern, name in PROGRAMS if re.search(pattern, user_agent)), "")
    device = next((name for pattern, name in DEVICES if re.search(pattern, user_agent)), "")
    if program and device:
        return say("web.program-on-device", program=program, device=device)
    return program or say("web.browser", device=device)


def cookie_name(*, is_https: bool, name: str = COOKIE) -> str:
    return f"__Host-{name}" if is_https else name


def read_cookie(web: Web, request: Request, name: str = COOKIE) -> str:
    """What the browser sent of it; "" for nothing."""
    return request.cookies.get(cookie_name(is_https=web.is_https, name=name), "")


def give_cookie(web: Web, response: Response, value: str, lives: timedelta, name: str = COOKIE) -> None:
    """Let the browser keep a value, which no script and no other site's form gets at."""
    response.set_cookie(
        cookie_name(is_https=web.is_https, name=name),
        value,
        max_age=round(lives.total_seconds()),
        path="/",
        secure=web.is_https,
        httponly=True,
        samesite="lax",
    )


def take_cookie(web: Web, response: Response, name: str = COOKIE) -> None:
    """Let the browser forget it."""
    named = cookie_name(is_https=web.is_https, name=name)
    response.delete_cookie(named, path="/", secure=web.is_https, httponly=True, samesite="lax")


def signed_out(web: Web, response: Response) -> Response:
    """The answer that takes the cookie back, and with it the field pages that the browser kept."""
    take_cookie(web, response)
    response.headers["Clear-Site-Data"] = FORGET
    return response
