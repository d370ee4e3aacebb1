"""The scores of a stage: a registry, and one module a family."""
