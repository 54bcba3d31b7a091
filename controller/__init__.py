"""coldpin keeps a mushroom fruiting chamber cool on cold water and ice packs."""
