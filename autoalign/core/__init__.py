"""What every room stands on: axes, frames, clocks, units, errors, files, interfaces."""
