"""Commands of the command line, one a module; ``cli`` names them."""
