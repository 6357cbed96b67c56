"""The composition root: command line, settings, runtime, demo. No logic of its own.

May import every other folder; none may import this one. Start reading in `dewline.cli`, then
`dewline.runtime`, which joins the parts.
"""
