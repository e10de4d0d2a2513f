"""The pages of accounts; other apps' pages come in by its door."""

from accounts.pages.door import OperatorRequest, actor_for, operator_page, reading_in

__all__ = ["OperatorRequest", "actor_for", "operator_page", "reading_in"]
