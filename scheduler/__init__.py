"""The thinking: days, assessments, alerts, and the clockwork around them."""
