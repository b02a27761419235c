"""What people were told: alerts, their steps and notices; appended, never computed again."""
