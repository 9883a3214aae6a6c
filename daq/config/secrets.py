"""Where a secret is: in a variable of the environment or in a file, and never in the configuration itself.

A bench file is kept in the store with each session, shown, and handed on: what stood in it would be known. Knows the
place only; `daq/runtime/secrets.py` goes there. No fault shows what stands where a secret may stand by mistake.
"""

import re
from typing import Self

from pydantic import Field, field_validator, model_validator

from daq.config.checked import Model

_PLACES = '{ env = "NAME" } or { file = "path" }'
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*", re.ASCII)


class SecretModel(Model):
    """The place of one secret."""

    env: str | None = Field(
        None, description="name of a variable in the environment of the program"
    )
    file: str | None = Field(
        None,
        description="file whose first line it is, beside this file unless absolute",
    )

    @model_validator(mode="before")
    @classmethod
    def _refuse_secret(cls, table: object) -> object:
        if not isinstance(table, dict):
            msg = f"a secret does not stand in this file, expected its place: {_PLACES}"
            raise ValueError(msg)  # noqa: TRY004 - a fault of the file
        if not all(isinstance(each, str) for each in table.values()):
            msg = f"no place of a secret, expected {_PLACES}"
            raise ValueError(msg)
        return table

    @field_validator("env")
    @classmethod
    def _check_name(cls, name: str | None) -> str | None:
        if name is not None and not _NAME.fullmatch(name):
            msg = "no name of a variable, expected letters, digits and _, no digit first; the secret itself stands in the environment"
            raise ValueError(msg)
        return name

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.env is None) == (self.file is None):
            msg = f"expected one place, {_PLACES}"
            raise ValueError(msg)
        return self


class PasswordModel(Model):
    """A table with a password: the place of it, in the long form or in the short one for a file."""

    password: SecretModel | None = Field(None, description="where the password is")
    password_file: str | None = Field(
        None, description='file whose first line is the password: { file = "path" }'
    )

    @model_validator(mode="after")
    def _check_password(self) -> Self:
        if self.password is not None and self.password_file is not None:
            msg = "password and password_file say two places, expected one of them"
            raise ValueError(msg)
        return self

    @property
    def password_place(self) -> SecretModel | None:
        """Where the password is; None for no password."""
        if self.password_file is not None:
            return SecretModel(file=self.password_file)
        return self.password
