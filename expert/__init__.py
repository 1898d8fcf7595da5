"""Finds where fluid first escapes from an ageing vehicle's transmission: a rules-engine expert system."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from expert.api import Fact as Fact
    from expert.api import FactsError as FactsError
    from expert.api import KnowledgeBase as KnowledgeBase
    from expert.api import Result as Result
    from expert.api import diagnose as diagnose
    from expert.knowledge.problems import KnowledgeError as KnowledgeError

__version__ = "0.1.0"
__all__ = ["Fact", "FactsError", "KnowledgeBase", "KnowledgeError", "Result", "diagnose"]


def __getattr__(name: str) -> Any:
    """What Python programs use, loaded when it is first asked for: `firstwet --version` needs none of it."""
    if name not in __all__:
        raise AttributeError(f"module 'expert' has no attribute {name!r}")
    from expert import api

    return getattr(api, name)
