"""What every file model is: strict, extra keys forbidden, only at the file edge, an example line with every key."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

from driftmodel.base.limits import FIRST_DAY, LAST_DAY


def over_keys(came: str, needed: str, key: str, mend: str) -> PydanticCustomError:
    """A fault of several keys together: what came, what is needed, the key it is shown at ('setup.spacer',
    'stay.0.from') and the line that mends it."""
    return PydanticCustomError("over_keys", "{needed}", {"came": came, "needed": needed, "key": key, "mend": mend})


class FileModel(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


def key(example: str, default: Any = ..., **limits: Any) -> Any:
    """A key of the file, with an example value for the message that mends it; limits as pydantic's Field takes them."""
    return Field(default, examples=[example], **limits)


def day(example: str, default: Any = ..., **limits: Any) -> Any:
    """A key that holds a date that can be reckoned with."""
    return key(example, default, ge=FIRST_DAY, le=LAST_DAY, **limits)


def length(example: str, most: float = 2000.0) -> Any:
    """A key that holds a length in mm, above 0 and no more than `most`."""
    return key(example, gt=0, le=most)
