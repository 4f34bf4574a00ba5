"""Where pickglass keeps what it remembers between runs."""

import os
from pathlib import Path

__all__ = ["memory_path"]


def memory_path() -> Path:
    """Return the file of remembered cards and lenses; PICKGLASS_MEMORY names another one."""
    named = os.environ.get("PICKGLASS_MEMORY")
    if named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("pickglass", appauthor=False) / "memory.json"
