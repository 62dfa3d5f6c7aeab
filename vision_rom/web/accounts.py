"""Who may sign in, and who has."""

from __future__ import annotations

import secrets
from typing import cast

from vision_rom.errors import UsageError
from vision_rom.records.database import now
from vision_rom.records.kept import Kept, made
from vision_rom.web.expiry import hash_of, later
from vision_rom.web.model import Role, Session

SESSION_HOURS = 12


class Accounts(Kept):
    """Accounts and sessions."""

    def add_account(self, name: str, role: Role, password_hash: str) -> None:
        """Add an account; raises UsageError where the name is taken or empty."""
        if not name.strip() or len(name) > 80 or not name.isprintable():
            raise UsageError("An account needs a name of 1 to 80 printable signs.")
        if self._one("SELECT 1 FROM account WHERE name = ?", name):
            raise UsageError(f"There is an account '{name}' already.")
        with self._changing(f"added the account {name} ({role})"):
            self._connection.execute(
                "INSERT INTO account (name, role, password, created_at) VALUES (?, ?, ?, ?)",
                (name, role, password_hash, now()),
            )

    def accounts(self) -> tuple[tuple[str, Role], ...]:
        """Return name and role of every account."""
        rows = self._connection.execute("SELECT name, role FROM account ORDER BY name").fetchall()
        return tuple((str(row["name"]), cast(Role, row["role"])) for row in rows)

    def password_of(self, name: str) -> str | None:
        """Return the password's hash; None where there is no such account."""
        row = self._one("SELECT password FROM account WHERE name = ?", name)
        return None if row is None else str(row["password"])

    def remove_account(self, name: str) -> None:
        """Remove an account and end its sessions; raises UsageError where there is none."""
        if self._one("SELECT 1 FROM account WHERE name = ?", name) is None:
            raise UsageError(f"There is no account '{name}'.")
        with self._changing(f"removed the account {name}"):
            self._connection.execute("DELETE FROM account WHERE name = ?", (name,))

    def begin_session(self, name: str, role: Role | None = None, *, once: bool = False) -> str:
        """Return the secret of a new session of an account, or of ``role`` without one; ``once`` opens another session only."""
        token, account = secrets.token_urlsafe(32), self._one("SELECT * FROM account WHERE name = ?", name)
        if role is None and account is None:
            raise UsageError(f"There is no account '{name}'.")
        with self._changing(f"{name} signed in" if not once else "made a way in for this machine's user"):
            self._connection.execute("DELETE FROM session WHERE expires_at < ?", (now(),))
            self._connection.execute(
                "INSERT INTO session (token_sha256, account_id, name, role, form_token, once, expires_at) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    hash_of(token), None if role else account["id"], name, role or account["role"],  # type: ignore[index]
                    secrets.token_urlsafe(24), int(once), later(SESSION_HOURS),
                ),
            )  # fmt: skip
        return token

    def session(self, token: str, *, once: bool = False) -> Session | None:
        """Return whose session a secret opens; None where none, or no longer."""
        row = self._one(
            "SELECT * FROM session WHERE token_sha256 = ? AND once = ? AND expires_at > ?",
            hash_of(token),
            int(once),
            now(),
        )
        return None if row is None else made(Session, row)

    def end_session(self, token: str) -> bool:
        """End a session and tell whether there was one; of two that ask at once only one is told so."""
        gone = self._connection.execute("DELETE FROM session WHERE token_sha256 = ?", (hash_of(token),))
        return gone.rowcount == 1
