package config

import (
	"fmt"
	"net"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// Service is what the settings of a service say: which workspaces one daemon looks after,
// and how it is itself looked after. It decides nothing about any sound.
type Service struct {
	// Workspaces are their folders. A path that is not absolute begins at the folder of
	// the settings file.
	Workspaces []string
	// Jobs is how many chapters are made at once, over all workspaces; 0 is as many as
	// the computer has room for.
	Jobs int
	// Listen is the address the daemon answers at, host and port; "" for none.
	Listen string
	// LogFile is where the log is written, "" for nowhere but the usual place. A new one
	// is begun when it is larger than LogFileMaxMiB, and LogFilesKept old ones are kept.
	LogFile                     string
	LogFileMaxMiB, LogFilesKept int
}

// DefaultService returns the settings of a service that says nothing.
func DefaultService() Service { return Service{LogFileMaxMiB: 20, LogFilesKept: 10} }

// LoadService reads the settings of a service. A file that is not there gives an error
// that wraps fs.ErrNotExist; anything wrong inside it gives an *Error.
func LoadService(path string) (Service, error) {
	f := file{name: filepath.Base(path)}
	data, err := f.read(path)
	if err != nil {
		return Service{}, err
	}
	values, entries, err := f.parse(data)
	if err != nil {
		return Service{}, err
	}
	s := DefaultService()
	for _, e := range entries {
		if says := s.put(e.path[0], values[e.path[0]]); says != "" {
			return Service{}, f.fault(e.line, says)
		}
	}
	if len(s.Workspaces) == 0 {
		return Service{}, f.fault(0, `workspaces is missing; write which folders to look after, as in workspaces = ["/srv/lectern"]`)
	}
	root, err := filepath.Abs(filepath.Dir(path))
	if err != nil {
		return Service{}, fmt.Errorf("find the settings of the service: %w", err)
	}
	for i, dir := range s.Workspaces {
		s.Workspaces[i] = from(root, dir)
		if slices.Contains(s.Workspaces[:i], s.Workspaces[i]) {
			return Service{}, f.fault(0, fmt.Sprintf("workspaces names %s twice; once is enough", dir))
		}
	}
	if s.LogFile != "" {
		s.LogFile = from(root, s.LogFile)
	}
	return s, nil
}

// from is a path that begins at root if it is not absolute.
func from(root, path string) string {
	if filepath.IsAbs(path) {
		return filepath.Clean(path)
	}
	return filepath.Join(root, path)
}

// put takes over one setting. The returned text is empty if all is well.
func (s *Service) put(name string, value any) string {
	switch name {
	case "workspaces":
		list, ok := value.([]any)
		for _, v := range list {
			dir, isText := v.(string)
			if ok = ok && isText && strings.TrimSpace(dir) != ""; ok {
				s.Workspaces = append(s.Workspaces, dir)
			}
		}
		if !ok {
			return fmt.Sprintf(`workspaces = %s is not possible; allowed is a list of folders, as in workspaces = ["/srv/lectern"]`, show(value))
		}
	case "listen":
		text, ok := value.(string)
		if !ok || text != "" && !isLoopback(text) {
			return fmt.Sprintf(`listen = %s is not possible; allowed is an address of this computer itself, as in listen = "127.0.0.1:9310", or "" for none`, show(value))
		}
		s.Listen = text
	case "log_file":
		text, ok := value.(string)
		if !ok {
			return fmt.Sprintf(`log_file = %s is not possible; allowed is the path of a file in quotes, or "" for none`, show(value))
		}
		s.LogFile = text
	case "jobs":
		return whole(&s.Jobs, name, value, 0, 64)
	case "log_file_max_mib":
		return whole(&s.LogFileMaxMiB, name, value, 1, 1024)
	case "log_files_kept":
		return whole(&s.LogFilesKept, name, value, 1, 1000)
	default:
		return fmt.Sprintf("%s = %s is not a setting of a service; allowed are workspaces, jobs, listen, log_file, log_file_max_mib and log_files_kept", name, show(value))
	}
	return ""
}

func whole(to *int, name string, value any, least, most int) string {
	n, ok := value.(int64)
	if !ok || n < int64(least) || n > int64(most) {
		return fmt.Sprintf("%s = %s is not possible; allowed is a whole number from %d to %d", name, show(value), least, most)
	}
	*to = int(n)
	return ""
}

// CheckListen returns a sentence if nobody may be answered at an address, "" if all is well.
func CheckListen(address string) string {
	if isLoopback(address) {
		return ""
	}
	return fmt.Sprintf("%q is not an address of this computer itself; allowed is one such as 127.0.0.1:9310", address)
}

// isLoopback tells whether an address with its port can be reached from this computer
// alone. Names are not asked after, since the answer may change; localhost is known.
func isLoopback(address string) bool {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	if _, err := strconv.ParseUint(port, 10, 16); err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
