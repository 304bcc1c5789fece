"""`duskbell calibration`: how chances are corrected by what came, shown, fitted anew and undone."""

from __future__ import annotations

import click

from alerts.track.record.text import say_map
from service.app import build
from service.store.repositories import calibrations


@click.group()
def calibration() -> None:
    """Show, fit and choose how chances are corrected by what came."""


@calibration.command()
@click.argument("version", required=False)
def show(version: str | None) -> None:
    """Show the calibration in use, or VERSION."""
    with build().sessions() as session:
        chosen = calibrations.choice(session)
        found = calibrations.get(session, version) if version else calibrations.in_use(session)
        pinned = chosen is not None and chosen.is_pinned
        if not version:
            kept = "kept until you choose another" if pinned else "the nightly fit replaces it"
            click.echo(f"In use: {found.version}; {kept}.")
        else:
            click.echo(f"Version {found.version}")
        click.echo(f"Fitted on nights through {found.through}." if found.through else "Fitted on no night.")
        for each in found.leads:
            click.echo(f"  {say_map(each)}")
        versions = calibrations.find_versions(session)
        click.echo(f"Versions: {', '.join([*versions, 'prior', 'none'])}")


@calibration.command()
def fit() -> None:
    """Fit a new version on all nights judged so far."""
    duskbell = build()
    with duskbell.sessions.begin() as session:
        fitted = calibrations.refit(session, duskbell.clock())
        used = calibrations.in_use(session).version
    if fitted is None:
        click.echo(f"Nothing to fit: no night was judged since. In use: {used}.")
    else:
        click.echo(f"Fitted: {fitted.version}, on nights through {fitted.through}. In use: {used}.")


@calibration.command()
@click.argument("version")
def use(version: str) -> None:
    """Use VERSION from now on: one of those shown, `prior`, `none` to leave every chance as it is forecast,
    or `newest` to follow the nightly fit."""
    duskbell = build()
    with duskbell.sessions.begin() as session:
        found = calibrations.use(session, version, duskbell.clock())
    click.echo(f"In use: {found.version}. Undo it with: duskbell calibration use newest")
