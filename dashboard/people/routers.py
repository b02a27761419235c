"""Every route of this room, one file a subject."""

from dashboard.people import account, done, everybody, links, signing

ROUTERS = (signing.router, account.router, everybody.router, links.router, done.router)

__all__ = ["ROUTERS"]
