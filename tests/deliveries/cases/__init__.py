"""The cases by theme; importing a module adds its cases to the list."""

from . import belonging, headers, identity, packed, texts, values  # noqa: F401
from .parts import CASES  # noqa: F401
