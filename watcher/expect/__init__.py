"""What the plant should have made. Pure; the only folder that imports pvlib."""
