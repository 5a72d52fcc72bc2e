"""What the service says of itself: logs, traces, metrics, and a record of its decisions."""
