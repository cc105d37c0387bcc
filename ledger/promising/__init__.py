"""What may be promised, and when: pure rules over cards."""
