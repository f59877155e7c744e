"""When and where: configuration, the service, the record, sending, screens."""

__version__ = "0.1.0"  # the distribution takes it from here; looking it up would cost the service 2 MiB
