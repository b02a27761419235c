"""How people come in and who they are: sign-in, their own account, people, tokens, share links."""

from dashboard.people import account, audit, links, members, signing

ROUTERS = (signing.router, account.router, members.router, links.router, audit.router)

__all__ = ["ROUTERS"]
