"""How notices leave: one try to reach one target."""

from scheduler.notify.delivering import Mail, deliver

__all__ = ["Mail", "deliver"]
