"""Commissioning: the first setting-up of a site, step by step, kept in the record as it goes."""
