"""Every route of this room, one file a subject."""

from dashboard.people import account, audit, links, members, signing

ROUTERS = (signing.router, account.router, members.router, links.router, audit.router)

__all__ = ["ROUTERS"]
