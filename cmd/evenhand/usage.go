package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/report/terminal"
)

// exactly is cobra.ExactArgs with an error that says what is missing and what to
// type.
func exactly(names ...string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) == len(names) {
			return nil
		}
		return wrongArgs(cmd, args, strings.Join(names, " and "))
	}
}

// wrongArgs is the error of a command that needs what is named, and got args.
func wrongArgs(cmd *cobra.Command, args []string, needs string) error {
	if needs == "" {
		return mistake.Errorf("%s takes no arguments, got %s; type: %s", cmd.Name(), given(args), usageOf(cmd))
	}
	return mistake.Errorf("%s needs %s, got %s; type: %s", cmd.Name(), needs, given(args), usageOf(cmd))
}

// usageOf is how a command is typed, without its optional flags.
func usageOf(cmd *cobra.Command) string { return strings.TrimSuffix(cmd.UseLine(), " [flags]") }

// noOutput is the error of a command that was not told where to write: what the
// user typed, completed.
func noOutput(cmd *cobra.Command, args []string, kind, placeholder string) error {
	return mistake.Errorf("%s needs %s to write to; type: %s %s -o %s", cmd.Name(), kind, cmd.CommandPath(), terminal.Typed(args), placeholder)
}

// given says how many arguments there were.
func given(args []string) string {
	switch len(args) {
	case 0:
		return "none"
	case 1:
		return "one argument, " + args[0]
	}
	return fmt.Sprintf("%d arguments", len(args))
}

// flagError says what is wrong with a flag and which values it takes.
func flagError(cmd *cobra.Command, err error) error {
	var unknown *pflag.NotExistError
	var bare *pflag.ValueRequiredError
	var bad *pflag.InvalidValueError
	switch {
	case errors.As(err, &unknown):
		var names []string
		cmd.Flags().VisitAll(func(f *pflag.Flag) {
			if !f.Hidden {
				names = append(names, "--"+f.Name)
			}
		})
		name := "--" + unknown.GetSpecifiedName()
		if unknown.GetSpecifiedShortnames() != "" {
			name = "-" + unknown.GetSpecifiedName()
		}
		hint := "its flags: " + strings.Join(names, ", ")
		if near := manifest.Nearest(name, names); near != "" {
			hint = "did you mean " + near + "?"
		}
		err = fmt.Errorf("%s has no flag %s; %s", cmd.Name(), name, hint)
	case errors.As(err, &bare):
		f := bare.GetFlag()
		err = fmt.Errorf("--%s has no value; type after it: %s", f.Name, valueOf(f))
	case errors.As(err, &bad):
		f := bad.GetFlag()
		err = fmt.Errorf("--%s: %q; allowed: %s", f.Name, bad.GetValue(), valueOf(f))
	}
	return mistake.Of(err)
}

// valueOf says what a flag takes: its sort, and its line in the help.
func valueOf(f *pflag.Flag) string {
	sort := map[string]string{
		"int": "a whole number", "uint64": "a whole number", "float64": "a number",
		"duration": "a time with its unit, such as 20ms or 1.5s", "bool": "true or false",
	}[f.Value.Type()]
	if sort == "" {
		return f.Usage
	}
	return sort + " (" + f.Usage + ")"
}

// unknownCommand is the error of a name that is not a command.
func unknownCommand(root *cobra.Command, name string) error {
	var names []string
	for _, c := range root.Commands() {
		if c.IsAvailableCommand() {
			names = append(names, c.Name())
		}
	}
	hint := "the commands: " + strings.Join(names, ", ")
	if near := manifest.Nearest(name, names); near != "" {
		hint = "did you mean " + root.Name() + " " + near + "?"
	}
	return mistake.Errorf("there is no command %q; %s", name, hint)
}

// helpCommand is cobra's, with an error for what it does not know.
func helpCommand(root *cobra.Command) *cobra.Command {
	return &cobra.Command{
		Use:   "help [COMMAND]",
		Short: "Print the help of a command, or the manual: help manifest",
		RunE: func(_ *cobra.Command, args []string) error {
			cmd, _, err := root.Find(args)
			if err != nil {
				return unknownCommand(root, args[0])
			}
			cmd.InitDefaultHelpFlag()
			cmd.InitDefaultVersionFlag()
			return cmd.Help()
		},
	}
}
