package main

import (
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"net"
	"net/http"
	"path"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.uber.org/zap"

	"lectern/watcher"
)

// listener answers whoever asks on this computer how the daemon is, and shows the finished
// pages. It changes nothing.
type listener struct {
	server *http.Server
	ended  chan struct{}
}

// answer has the service answer at another address, "" for none. If that cannot be, it
// goes on as it was.
func (s *service) answer(address string) error {
	var fresh *listener
	if address != "" {
		at, err := net.Listen("tcp", address)
		if err != nil {
			return fmt.Errorf("listen at %s: %w", address, err)
		}
		if fresh, err = listen(at, s); err != nil {
			return err
		}
		s.log.Info(fmt.Sprintf("answering at http://%s/", at.Addr()))
	}
	s.listen.close()
	s.listen = fresh
	return nil
}

// Of a listener that may meet anybody on this computer. Our choice.
const (
	headerPatience = 5 * time.Second
	// answerPatience is enough for a chapter of two hours at 2 MB a second.
	answerPatience = 2 * time.Minute
	headerMaxBytes = 16 << 10
)

// listen answers at a listening address of this computer itself.
func listen(at net.Listener, s *service) (*listener, error) {
	tcp, ok := at.Addr().(*net.TCPAddr)
	if !ok || !tcp.IP.IsLoopback() {
		return nil, errors.Join(fmt.Errorf("%s is not an address of this computer itself", at.Addr()), at.Close())
	}
	l := &listener{ended: make(chan struct{}), server: &http.Server{
		Handler:           guarded(s.pages()),
		ReadHeaderTimeout: headerPatience, ReadTimeout: headerPatience,
		WriteTimeout: answerPatience, IdleTimeout: answerPatience, MaxHeaderBytes: headerMaxBytes,
		ErrorLog: zap.NewStdLog(zap.NewNop()), // what strangers send is no event of ours
	}}
	go func() {
		defer close(l.ended)
		if err := l.server.Serve(at); !errors.Is(err, http.ErrServerClosed) {
			s.log.Error("nothing is answered any more", zap.Error(err))
		}
	}()
	return l, nil
}

// close ends it. Of nil there is nothing to end.
func (l *listener) close() {
	if l == nil {
		return
	}
	l.server.Close()
	<-l.ended
}

// guarded lets through only what reads, and what was meant for this computer: a page from
// elsewhere whose name has been made to stand for this computer names itself as the host.
func guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("X-Frame-Options", "DENY")
		switch {
		case !isOwnHost(r.Host):
			http.Error(w, "this was not asked of this computer", http.StatusMisdirectedRequest)
		case r.Method != http.MethodGet && r.Method != http.MethodHead:
			h.Set("Allow", "GET, HEAD")
			http.Error(w, "here things can only be read", http.StatusMethodNotAllowed)
		default:
			next.ServeHTTP(w, r)
		}
	})
}

// isOwnHost tells whether a Host header names this computer as only it itself does.
func isOwnHost(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	ip := net.ParseIP(host)
	return strings.EqualFold(host, "localhost") || ip != nil && ip.IsLoopback()
}

// pages are all there is to ask for.
func (s *service) pages() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("/healthz", s.answerHealth)
	mux.Handle("/metrics", promhttp.HandlerFor(s.metrics.registry, promhttp.HandlerOpts{}))
	mux.HandleFunc("/{$}", s.answerList)
	mux.HandleFunc("/finished/{workspace}/{file...}", s.answerFile)
	return mux
}

// answerHealth says ok, or with status 503 which workspaces are not looked after. What the
// daemon has to say else stands below, a line each.
func (s *service) answerHealth(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	wrong, troubles := s.health(time.Now())
	if len(wrong) == 0 {
		fmt.Fprintln(w, "ok")
	} else {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	for _, says := range append(wrong, troubles...) {
		fmt.Fprintln(w, watcher.Plain(says))
	}
}

// health tells which workspaces are not looked after, and what status tells of the others.
func (s *service) health(now time.Time) (wrong, troubles []string) {
	for _, w := range s.all() {
		o, says := w.now()
		switch {
		case o == nil && says == "":
			wrong = append(wrong, w.name+": is not watched yet")
		case o == nil:
			wrong = append(wrong, w.name+": cannot be watched: "+says)
		default:
			if says := w.stuck(now); says != "" {
				wrong = append(wrong, w.name+": "+says)
			}
			for _, says := range w.vitals.Now().Troubles {
				troubles = append(troubles, w.name+": "+says)
			}
		}
	}
	return wrong, troubles
}

var listPage = template.Must(template.New("list").Parse(`<!DOCTYPE html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Workspaces</title>
<style>body { font: 1.1rem/1.5 Georgia, serif; max-width: 40rem; margin: 3rem auto; padding: 0 1rem; color-scheme: light dark }</style>
<h1>Workspaces</h1>
<ul>
{{range .}}<li><a href="finished/{{.}}/">{{.}}</a>
{{end}}</ul>
</html>
`))

// answerList shows the names of the workspaces.
func (s *service) answerList(w http.ResponseWriter, _ *http.Request) {
	var names []string
	for _, w := range s.all() {
		names = append(names, w.name)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'")
	if err := listPage.Execute(w, names); err != nil {
		s.log.Debug("the list of workspaces was not sent", zap.Error(err))
	}
}

// fileTypes are the kinds of finished files that are shown, with their types.
var fileTypes = map[string]string{
	".html": "text/html; charset=utf-8", ".mp3": "audio/mpeg", ".json": "application/json",
	".csv": "text/csv; charset=utf-8", ".txt": "text/plain; charset=utf-8",
}

// answerFile shows one finished file. No folder is listed: the pages tell what there is.
func (s *service) answerFile(w http.ResponseWriter, r *http.Request) {
	served, name := s.find(r.PathValue("workspace")), r.PathValue("file")
	if served == nil {
		http.NotFound(w, r)
		return
	}
	if name == "" || strings.HasSuffix(name, "/") {
		name += "index.html"
	}
	o, _ := served.now()
	kind := fileTypes[strings.ToLower(path.Ext(name))]
	if o == nil || kind == "" || !fs.ValidPath(name) || isHidden(name) {
		http.NotFound(w, r)
		return
	}
	f, err := o.ws.OpenFinished(name)
	if err != nil {
		http.NotFound(w, r)
		return
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", kind)
	http.ServeContent(w, r, "", info.ModTime(), f)
}

func isHidden(name string) bool {
	for part := range strings.SplitSeq(name, "/") {
		if strings.HasPrefix(part, ".") {
			return true
		}
	}
	return false
}
