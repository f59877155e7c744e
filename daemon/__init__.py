"""When and where: configuration, the service, the record, sending, screens."""
