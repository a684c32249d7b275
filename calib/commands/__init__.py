"""The subcommands of `calib`, one module each."""
