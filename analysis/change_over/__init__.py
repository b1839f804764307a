"""Moving fish from one water to another: may they, is the tank ready, and how."""
