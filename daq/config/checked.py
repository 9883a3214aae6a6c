"""What every table of a configuration file has in common: nothing unknown, nothing converted."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class Model(BaseModel):
    """Unknown keys are refused, and a text is no number."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)
