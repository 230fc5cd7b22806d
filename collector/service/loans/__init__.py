"""What a clinic keeps of its loans: above guided flows and configuration, which know nothing of each other."""
