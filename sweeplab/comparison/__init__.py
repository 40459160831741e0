"""Before and after: what moved between two builds, and how surely."""
