package lot

import "errors"

// ErrNotExact says that a mass is no single number: it is below or above something, or a band.
var ErrNotExact = errors.New("the mass must be one number")
