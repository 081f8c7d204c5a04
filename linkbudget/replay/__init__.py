"""A capture's bytes against the model of the controller."""
