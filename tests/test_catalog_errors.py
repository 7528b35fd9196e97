"""The catalog's disk fails: what happened first is what is said, and nothing after it hides that."""

from __future__ import annotations

import sqlite3
from typing import Any
from unittest.mock import patch

import pytest
from world import World

from tripleguard.catalog.store import Catalog
from tripleguard.errors import CatalogError

pytestmark = pytest.mark.alone


class FailingConnection(sqlite3.Connection):
    """Fails each statement from the first one on that begins with these words."""

    first = ""
    has_failed = False

    def execute(self, sql: str, *given: Any) -> sqlite3.Cursor:
        if self.first and (self.has_failed or sql.startswith(self.first)):
            self.has_failed = True
            raise sqlite3.OperationalError("disk I/O error")
        return super().execute(sql, *given)


def test_an_error_whose_undoing_fails_too_is_the_one_that_is_raised(world: World) -> None:
    connect = sqlite3.connect
    with (
        patch.object(sqlite3, "connect", lambda *given, **how: connect(*given, factory=FailingConnection, **how)),
        world.ctx() as ctx,
    ):
        connection = ctx.catalog._connection
        assert isinstance(connection, FailingConnection)
        with pytest.raises(CatalogError, match="disk I/O error"):
            _change(ctx.catalog, connection)
        connection.first = ""
    with world.ctx() as ctx:
        assert ctx.catalog.fetch_one("SELECT count(*) FROM meta WHERE value = 'x'") == (0,)


def test_a_catalog_that_cannot_be_reached_is_not_taken_for_a_missing_one(world: World) -> None:
    """A loop of links can't be followed, which is an error of the system as on a broken disk."""
    (world.home / "catalog.db").rename(world.home / "kept.db")
    (world.home / "catalog.db").symlink_to(world.home / "catalog.db")
    answer = world.run("report")
    assert "can't be reached" in answer.err
    assert "setup" not in answer.err


def _change(catalog: Catalog, connection: FailingConnection) -> None:
    with catalog.transaction():
        connection.first = "UPDATE"
        catalog.execute("UPDATE meta SET value = ?", "x")
