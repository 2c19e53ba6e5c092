package main

import (
	"github.com/spf13/cobra"

	"evenhand/analyze/loopback"
	"evenhand/analyze/mistake"
	"evenhand/analyze/unit"
	"evenhand/report/console"
	"evenhand/report/sentences"
)

func reampLevelCommand() *cobra.Command {
	var asJSON bool
	tolerance := 0.2
	cmd := &cobra.Command{
		Use:   "reamp-level DRY LOOPBACK",
		Short: "Compare the reamp level with the dry recording",
		Long: `Reamp-level compares a loopback, the reamp output recorded back through the DI
box, with the dry recording that you played into it. It prints how much louder or
quieter the loop returns, in total and in each octave, what to turn and by how
much, how even the loop is, and what noise it adds. It needs no manifest and
takes about a second. Turn the amplifier down or to standby before you raise the
reamp output: a louder signal can damage hearing and speakers.

The level is the gain of the loop's passband. If the loop loses lows or treble by
a loss of first or second order or a shelf, the answer names it, and the level is
what the loop would have without it. If the response has another shape, the level
is the mean of the octaves around 250 Hz to 1 kHz, and the answer says how far it
may be off. The answer also gives these octaves and the level from 20 Hz to
20 kHz.

The exit status is 1 if the level is further off than the tolerance, or may be
further off because of an uneven response. It is also 1 if the loop inverts
polarity, or adds noise or hum that can be heard next to the playing.`,
		Args: exactly("the dry recording", "the loopback"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !(tolerance >= 0.01 && tolerance <= 6) {
				return mistake.Errorf("--tolerance: %g dB; allowed: 0.01 to 6", tolerance)
			}
			l, err := loopback.Measure(cmd.Context(), args[0], args[1], unit.DB(tolerance))
			if err != nil {
				return err
			}
			said := sentences.Loopback(l)
			if asJSON {
				err = writeJSON(cmd, said)
			} else {
				err = console.ReampLevel(cmd.OutOrStdout(), said, width(cmd.OutOrStdout()))
			}
			if err != nil {
				return err
			}
			if !l.Certain || !l.Sound() {
				return errCheckFailed
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the result as JSON")
	cmd.Flags().Float64Var(&tolerance, "tolerance", tolerance, "how far off the level may be, in dB, 0.01 to 6 (common practice, no source)")
	return cmd
}
