"""What lies in the outbox folder, for installations that write their mail to files."""

from __future__ import annotations

import base64
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse, Response

from service.web.error_pages import NothingHere
from service.web.shared.context import Here
from service.web.shared.viewer import Operating

SHOWN = 100
LARGEST_FILE_BYTES = 2_000_000
KINDS = (".eml", ".json")
MAIL_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox allow-popups"
)
"""A mail is shown as mail programs show it: its own inlined style, its own pictures, nothing else."""


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """One file of the folder: a mail, or what a chat was sent."""

    name: str
    written_at: datetime
    title: str
    to: str


async def outbox_folder(web: Here) -> Path:
    return web.arrived or web.duskbell.settings.outbox


Folder = Annotated[Path, Depends(outbox_folder)]

router = APIRouter()


@router.get("/operator/outbox", response_class=HTMLResponse)
def listing(web: Here, viewer: Operating, folder: Folder) -> HTMLResponse:
    files = [describe(path) for path in find_files(folder)[:SHOWN]]
    return web.page(
        "operator/outbox.html",
        viewer=viewer,
        files=files,
        folder=folder,
        has_relay=bool(web.duskbell.settings.smtp_host),
    )


@router.get("/operator/outbox/{name}", response_class=HTMLResponse)
def show(web: Here, name: str, viewer: Operating, folder: Folder) -> HTMLResponse:
    path = get_file(folder, name)
    mail = read_mail(path)
    return web.page(
        "operator/outbox_file.html",
        viewer=viewer,
        file=describe(path),
        text=text_of(mail) if mail else path.read_text("utf-8", errors="replace"),
        has_html=mail is not None and mail.get_body(("html",)) is not None,
        attached=[part.get_filename() for part in mail.iter_attachments()] if mail else [],
    )


@router.get("/operator/outbox/{name}/as-mail")
def as_mail(name: str, viewer: Operating, folder: Folder) -> Response:
    mail = read_mail(get_file(folder, name))
    html = html_of(mail) if mail else ""
    if not html:
        raise NothingHere
    return HTMLResponse(html, headers={"Content-Security-Policy": MAIL_POLICY})


@router.get("/operator/outbox/{name}/file")
def download(name: str, viewer: Operating, folder: Folder) -> Response:
    path = get_file(folder, name)
    kind = "message/rfc822" if path.suffix == ".eml" else "application/json"
    headers = {"Content-Disposition": f'attachment; filename="{path.name}"'}
    return Response(path.read_bytes(), media_type=kind, headers=headers)


def find_files(folder: Path) -> list[Path]:
    """The mails and chat messages in the folder, the newest first; none where there is no folder."""
    if not folder.is_dir():
        return []
    files = [path for path in folder.iterdir() if path.suffix in KINDS and path.is_file()]
    return sorted(files, key=lambda path: (path.stat().st_mtime_ns, path.name), reverse=True)


def get_file(folder: Path, name: str) -> Path:
    """The file of that name in the folder itself; NothingHere for any other, and for one too large."""
    path = next((path for path in find_files(folder) if path.name == name), None)
    if path is None or path.stat().st_size > LARGEST_FILE_BYTES:
        raise NothingHere
    return path


def describe(path: Path) -> WrittenFile:
    """What the file is, as far as it can be read."""
    written_at = datetime.fromtimestamp(path.stat().st_mtime, tz=UTC)
    mail = read_mail(path)
    if mail is not None:
        return WrittenFile(
            path.name, written_at, str(mail["Subject"] or "(no subject)"), str(mail["To"] or "")
        )
    try:
        post = json.loads(path.read_text("utf-8"))
    except ValueError:
        post = None
    title = str(post.get("type", path.name)) if isinstance(post, dict) else path.name
    return WrittenFile(path.name, written_at, title, "chat")


def read_mail(path: Path) -> EmailMessage | None:
    """The mail in the file; None when it is something else."""
    if path.suffix != ".eml":
        return None
    mail = message_from_bytes(path.read_bytes(), policy=policy.default)
    return mail if isinstance(mail, EmailMessage) else None


def text_of(mail: EmailMessage) -> str:
    """Its text part, "" without one."""
    part = mail.get_body(("plain",))
    return "" if part is None else str(part.get_content()).rstrip()


def html_of(mail: EmailMessage) -> str:
    """Its HTML part with the pictures that it carries put into it; "" without one."""
    part = mail.get_body(("html",))
    if part is None:
        return ""
    html = str(part.get_content())
    for each in mail.walk():
        content_id = str(each.get("Content-ID", "")).strip("<> ")
        if content_id and each.get_content_maintype() == "image":
            content = each.get_payload(decode=True)
            assert isinstance(content, bytes), "a picture is no multipart"
            data = base64.b64encode(content).decode("ascii")
            html = html.replace(f"cid:{content_id}", f"data:{each.get_content_type()};base64,{data}")
    return html
