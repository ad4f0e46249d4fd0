package signals

import "go.einride.tech/can/pkg/canrunner" // want: imports go.einride.tech/can/pkg/canrunner

var _ = canrunner.Run
