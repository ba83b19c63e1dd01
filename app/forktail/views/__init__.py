"""Views: one module a view. They draw what they are handed and compute no physics."""
