"""The base of every typed table that a user may write."""

from pydantic import BaseModel, ConfigDict


class Settings(BaseModel):
    """Frozen, typed, unknown keys refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)
