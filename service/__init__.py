"""Everything that touches the world: logs, store, watcher, schedule, command line."""
