"""Alembic's entry: runs the migrations on the engine that Duskbell hands over."""

from __future__ import annotations

from alembic import context
from sqlalchemy import Engine

from service.store.alltables import METADATA


def run() -> None:
    engine = context.config.attributes.get("engine")
    if not isinstance(engine, Engine):
        raise RuntimeError("migrations run through: duskbell migrate")
    with engine.connect() as connection:
        context.configure(
            connection=connection,
            target_metadata=METADATA,
            render_as_batch=True,
            transaction_per_migration=True,
        )
        with context.begin_transaction():
            context.run_migrations()
        connection.commit()


run()
