"""The meat: one structure a file. Each is a `MeatWorld` (`meat_world`), driven by the air of any fire world."""
