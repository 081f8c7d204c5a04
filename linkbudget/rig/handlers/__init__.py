"""URL handlers for pyserial's ``protocol_handler_packages``: the name of the module is the scheme."""
