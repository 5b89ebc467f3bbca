"""How often the stated interval holds the truth: campaigns drawn from physics, evaluated."""
