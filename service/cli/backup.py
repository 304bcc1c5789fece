"""`duskbell backup` and `duskbell restore`: one file with everything."""

from __future__ import annotations

from pathlib import Path

import click

from service.app import build
from service.common.clock import real_clock
from service.settings import load_settings
from service.store.maintenance.backup import make_backup, restore_backup


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
def backup(file: Path) -> None:
    """Write everything to FILE, also while Duskbell runs."""
    duskbell = build()
    make_backup(duskbell.engine, duskbell.settings.data_dir, file, duskbell.clock())
    click.echo(f"Written: {file}. It holds addresses and the secret key; keep it like a password.")


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option("--replace", is_flag=True, help="Set the database that is there aside.")
def restore(file: Path, replace: bool) -> None:
    """Put FILE in place of the database. Nothing that is past is sent."""
    settings = load_settings()
    done = restore_backup(file, settings.store_url, settings.data_dir, replace=replace, now=real_clock())
    click.echo(f"Restored as it was at {done.made_at}.")
    for path in done.kept_aside:
        click.echo(f"What was there lies at {path}")
    click.echo(f"{done.expired} messages were past and ended; {done.waiting} still wait.")
    if done.waiting:
        click.echo(
            "Those may have gone out since the backup; they keep their ids, so receivers drop repeats."
        )
