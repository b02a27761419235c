"""The way from a socket to the app: who may be connected, for how long, and over what."""

from dashboard.server.crowd import Crowd, Guest, room_for
from dashboard.server.listening import Server

__all__ = ["Crowd", "Guest", "Server", "room_for"]
