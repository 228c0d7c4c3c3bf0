"""The one kind of error that a person caused and can mend."""


class YardError(Exception):
    """A clear sentence for the person at the keyboard: what is wrong, where, and what to do.

    The command line prints it without a traceback and exits with status 2.
    """
