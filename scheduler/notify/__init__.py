"""How notices leave: which addresses are allowed, and one try to reach one target."""

from scheduler.notify.addresses import Address, AddressFault, read, shown
from scheduler.notify.delivering import Mail, deliver

__all__ = ["Address", "AddressFault", "Mail", "deliver", "read", "shown"]
