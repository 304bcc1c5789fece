"""`duskbell demo`: an invented week, offline, from a first notice to a stand-down."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import click

from alerts.common.phrases import say
from service.cli.service import require_free_port
from service.demo.play import SITES, TICKS, Played, play, stage
from service.settings import page_address

RULE = "─" * 72


@click.command(help=say("cli.about-demo"))
@click.option("--keep", is_flag=True, help=say("cli.help-demo-keep"))
@click.option("--folder", type=click.Path(path_type=Path), help=say("cli.help-demo-folder"))
def demo(keep: bool, folder: Path | None) -> None:
    where = folder or Path(tempfile.mkdtemp(prefix="duskbell-demo-"))
    click.echo(say("cli.demo-intro", names=[site.name for site in SITES], where=where))
    with stage(where) as played:
        play(played, click.echo)
        _show(played)
        click.echo(say("cli.demo-files", where=where))
        if keep:
            _keep_open(played)


def _show(played: Played) -> None:
    for path, mail in played.box.mails:
        click.echo(say("cli.demo-mail", rule=RULE, path=path, to=mail["To"], subject=mail["Subject"]))
        part = mail.get_body(preferencelist=("plain",))
        assert part is not None, "every mail has a text part"
        click.echo(str(part.get_content()).rstrip())
    for path, post in played.room.posts:
        click.echo(say("cli.demo-chat", rule=RULE, path=path))
        click.echo(json.dumps(post, indent=2, ensure_ascii=False))
    click.echo(f"\n{RULE}")


def _keep_open(played: Played) -> None:
    # The pages are heavy to load, and wanted with --keep alone.
    from service.web.app import build_app
    from service.web.server import serve_pages

    settings = played.duskbell.settings
    require_free_port(settings.web_host, settings.web_port)
    page = page_address(settings.web_host, settings.web_port)
    click.echo(say("cli.demo-page", page=page))
    app = build_app(played.duskbell, shown_at=TICKS[-2].at, is_open=True, arrived=played.box.folder)
    serve_pages(app, settings.web_host, settings.web_port)
