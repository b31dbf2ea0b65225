"""The stand-alone app: explorers and lessons in the browser without code, served by voila (extra ``app``)."""
