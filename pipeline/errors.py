"""Two families of errors: those a user can mend, and everything else.

A `UserError` prints one clear message without a traceback and ends the run with its exit code. Anything else is a bug
and shows its traceback.
"""


class UserError(Exception):
    """What is wrong, where, and what to do about it.

    `exit_code` is what the command ends with; `remedy` says what to do next.
    """

    exit_code = 1

    def __init__(self, problem: str, *, remedy: str = "") -> None:
        super().__init__(problem)
        self.problem = problem
        self.remedy = remedy

    def __str__(self) -> str:
        """The problem, then the remedy where there is one."""
        return f"{self.problem} {self.remedy}".strip()


class UsageError(UserError):
    """The call or the settings are wrong; nothing was made or changed."""

    exit_code = 2


class StoreError(UserError):
    """The store cannot be used as it is; it was left as it is."""

    exit_code = 1


class LockedError(UserError):
    """Another run holds the store."""

    exit_code = 5
