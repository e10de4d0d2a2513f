"""The dispatcher's page: where to send somebody now, and why; and what has changed since it was last asked."""

from servicing.pages.lookout.changes import changes
from servicing.pages.lookout.page import lookout

__all__ = ["changes", "lookout"]
