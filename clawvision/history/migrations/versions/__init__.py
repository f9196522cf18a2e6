"""The steps. A new one is ``vNNNN_WHAT.py`` with the tables as they are then; schema.HEAD names the last."""
