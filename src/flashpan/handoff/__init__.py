"""What goes to the edit from a night: cut lists, markers, the shot log."""
