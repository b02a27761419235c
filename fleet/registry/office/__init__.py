"""What the office agrees and plans: jobs, rounds, technicians, rota, agreements, site cards."""
