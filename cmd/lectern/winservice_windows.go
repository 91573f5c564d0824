package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/svc"
	"golang.org/x/sys/windows/svc/mgr"
)

const (
	serviceName = "lectern"
	// serviceAccount is one that Windows makes for the service alone; it has no password
	// and no rights but those it is given.
	serviceAccount = `NT SERVICE\` + serviceName
	// A service that ended by itself is started again after a while; after a day without
	// an end, the count begins anew. Our choice.
	serviceRestartAfter = 5 * time.Second
	serviceCountAnewS   = 24 * 60 * 60
)

// systemCmds are the commands of this system alone.
func systemCmds() []*cobra.Command { return []*cobra.Command{newServiceCmd()} }

func newServiceCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "service COMMAND",
		Short: "Have Windows run the daemon as a service, from when the computer starts",
		Long: `Service has Windows run the daemon from when the computer starts, before anybody
logs in, under the account "` + serviceAccount + `". Install and remove must be called
by an administrator.`,
	}
	settings := os.Getenv("ProgramData")
	file := cmd.PersistentFlags().String("service", filepath.Join(settings, "lectern", "service.toml"),
		"the service settings; the log, lectern.log, lies beside them")
	cmd.AddCommand(
		&cobra.Command{
			Use: "install", Short: "Register the service, to start with the computer", Args: cobra.NoArgs,
			RunE: func(cmd *cobra.Command, _ []string) error {
				if err := installService(*file); err != nil {
					return fmt.Errorf("install service: %w", err)
				}
				newShow(cmd.OutOrStdout()).line("Windows runs Lectern from the next start of the computer; now, with: sc start %s", serviceName)
				return nil
			},
		},
		&cobra.Command{
			Use: "remove", Short: "Stop the service and remove it; no workspace is touched", Args: cobra.NoArgs,
			RunE: func(cmd *cobra.Command, _ []string) error {
				if err := removeService(); err != nil {
					return fmt.Errorf("remove service: %w", err)
				}
				newShow(cmd.OutOrStdout()).line("Windows no longer runs Lectern as a service.")
				return nil
			},
		},
		&cobra.Command{
			Use: "run", Short: "What Windows calls: run the daemon as a service", Args: cobra.NoArgs,
			RunE: func(cmd *cobra.Command, _ []string) error {
				err := svc.Run(serviceName, windowsService{ctx: cmd.Context(), file: *file})
				if errors.Is(err, windows.ERROR_FAILED_SERVICE_CONTROLLER_CONNECT) {
					return wrongUsage("only Windows itself can call this; start the service with: sc start %s", serviceName)
				}
				return err
			},
		},
	)
	return cmd
}

func installService(file string) error {
	program, err := os.Executable()
	if err != nil {
		return fmt.Errorf("find this program's own place: %w", err)
	}
	if file, err = filepath.Abs(file); err != nil {
		return fmt.Errorf("find the service settings: %w", err)
	}
	m, err := mgr.Connect()
	if err != nil {
		return fmt.Errorf("reach the service manager, which takes an administrator: %w", err)
	}
	defer m.Disconnect()
	s, err := m.CreateService(serviceName, program, mgr.Config{
		DisplayName:      "Lectern",
		Description:      "Masters raw readings that are dropped into its inboxes into finished audiobook chapters.",
		StartType:        mgr.StartAutomatic,
		ErrorControl:     mgr.ErrorNormal,
		ServiceStartName: serviceAccount,
	}, "service", "run", "--service", file)
	if err != nil {
		return err
	}
	defer s.Close()
	err = errors.Join(
		s.SetRecoveryActions([]mgr.RecoveryAction{{Type: mgr.ServiceRestart, Delay: serviceRestartAfter}}, serviceCountAnewS),
		s.SetRecoveryActionsOnNonCrashFailures(true),
	)
	if err != nil {
		return errors.Join(err, s.Delete()) // none is better than half a one
	}
	return nil
}

func removeService() error {
	m, err := mgr.Connect()
	if err != nil {
		return fmt.Errorf("reach the service manager, which takes an administrator: %w", err)
	}
	defer m.Disconnect()
	s, err := m.OpenService(serviceName)
	if err != nil {
		return err
	}
	defer s.Close()
	// It may not be running; Windows removes one that is once it has stopped.
	if _, err := s.Control(svc.Stop); err != nil && !errors.Is(err, windows.ERROR_SERVICE_NOT_ACTIVE) {
		return fmt.Errorf("stop: %w", err)
	}
	return s.Delete()
}

// windowsService is the daemon as Windows sees it.
type windowsService struct {
	ctx  context.Context
	file string // the service settings
}

// Execute is called by svc.Run. What it returns makes Windows start the service again if
// it is not 0.
func (s windowsService) Execute(_ []string, requests <-chan svc.ChangeRequest, status chan<- svc.Status) (bool, uint32) {
	log := openLog(filepath.Join(filepath.Dir(s.file), "lectern.log"))
	defer log.Close()
	ctx, stop := context.WithCancel(s.ctx)
	defer stop()
	asks := make(chan serviceAsk)
	go passOn(ctx, requests, asks)
	tell := func(state serviceState) {
		switch state {
		case serviceRunning:
			status <- svc.Status{State: svc.Running, Accepts: svc.AcceptStop | svc.AcceptShutdown}
		case serviceStopping:
			status <- svc.Status{State: svc.StopPending, WaitHint: uint32(serviceStopPatience.Milliseconds())}
		}
	}
	err := tendService(ctx, asks, tell, func(ctx context.Context) error {
		return runWatch(ctx, log, "--service", s.file)
	})
	if err != nil {
		fmt.Fprint(log, plainText(err))
	}
	return true, uint32(exitCode(err))
}

// passOn turns what Windows asks into what tendService knows, until ctx ends.
func passOn(ctx context.Context, requests <-chan svc.ChangeRequest, asks chan<- serviceAsk) {
	for {
		select {
		case r := <-requests:
			ask := askState
			if r.Cmd == svc.Stop || r.Cmd == svc.Shutdown {
				ask = askStop
			}
			select {
			case asks <- ask:
			case <-ctx.Done():
				return
			}
		case <-ctx.Done():
			return
		}
	}
}
