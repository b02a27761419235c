"""How notices leave: one try to reach one target."""

from scheduler.notify.delivering import LIMIT_S, deliver
from scheduler.notify.mailing import Mail

__all__ = ["LIMIT_S", "Mail", "deliver"]
