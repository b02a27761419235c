"""Alerts and who is told of them: what was found, outages, the rota, who is woken and how they are reached."""
