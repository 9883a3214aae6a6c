"""Bench tables for what a service does beside measuring: its page on the network, readings between sessions."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from daq.config.checked import Model, Positive


class PageModel(Model):
    """The page; on loopback only, unless it is shared from the command line."""

    port: Annotated[int, Field(ge=0, le=65535)] = Field(
        8765, description="on loopback; 0 takes a free one"
    )
    share_port: Annotated[int, Field(ge=0, le=65535)] = Field(
        8766, description="on the network, with --share; 0 takes a free one"
    )
    certificate: str | None = Field(
        None, description="PEM file; with it the shared page is encrypted"
    )
    key: str | None = Field(None, description="PEM file with the certificate's key")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.certificate is None) != (self.key is None):
            msg = "certificate and key belong together, expected both or none"
            raise ValueError(msg)
        return self


class IdleModel(Model):
    """What is kept of readings between sessions; those of sessions are kept for ever."""

    keep_all_h: Positive = Field(24.0, description="every reading for so long [h]")
    keep_every_s: Positive = Field(
        60.0, description="of older ones the first in each stretch of this length [s]"
    )
