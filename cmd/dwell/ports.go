package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"text/tabwriter"

	"dwell/drivers/wire"

	"github.com/spf13/cobra"
)

func portsCommand(s *speech) *cobra.Command {
	return &cobra.Command{
		Use:   "ports",
		Short: "list the serial ports, and who has them",
		Long: `ports lists the serial ports that the system knows of, with what it says of each and
whether a run has it. It opens none of them: that would reset some boards. The first
column is what stands behind port: in a rig file.`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return listPorts(s) },
	}
}

func listPorts(s *speech) error {
	seen, err := wire.Ports()
	if err != nil {
		return &coded{exitFailed, fmt.Errorf("the system's list of serial ports cannot be read: %w", err)}
	}
	rows := [][]string{}
	ports := []any{}
	for _, p := range seen {
		text, free, err := wire.Owner(p.Address)
		who, pid := ownerText(text, free, err)
		is := p.Is
		if is == "" {
			is = "-"
		}
		rows = append(rows, []string{p.Address, p.Device, who, is})
		ports = append(ports, map[string]any{"port": p.Address, "device": p.Device, "is": p.Is, "free": free && err == nil, "owner": pid})
	}
	if len(rows) == 0 {
		s.result("no serial port is seen: is the cable plugged in, and the adapter's driver installed?\n")
	} else {
		var b strings.Builder
		w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
		for _, row := range append([][]string{{"port", "device", "who has it", "what it is"}}, rows...) {
			fmt.Fprintln(w, strings.Join(row, "\t"))
		}
		w.Flush()
		s.result(b.String())
	}
	s.object(map[string]any{"ports": ports, "exit": exitDone})
	return nil
}

// ownerText says who has a port, with the process number if it is known.
func ownerText(text string, free bool, err error) (who string, pid any) {
	var o owner
	switch {
	case err != nil:
		return "not known: " + err.Error(), nil
	case free:
		return "free", nil
	case json.Unmarshal([]byte(text), &o) != nil || o.PID == 0:
		return "in use", nil
	}
	return fmt.Sprintf("dwell, process %d", o.PID), o.PID
}
