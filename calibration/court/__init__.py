"""The court: its measures, and the rig's place in it."""
