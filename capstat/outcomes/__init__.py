"""Time to capture, capture kept or lost, and what became of the patient."""
