"""What a project folder says: its settings."""
