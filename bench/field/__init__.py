"""The chosen method at work on real photographs."""
