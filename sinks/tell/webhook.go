package tell

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"

	"go.yaml.in/yaml/v3"
)

// webhook posts the JSON of a message. A status of 2xx means that it was taken
// over; redirections are not followed, since what they lead to is not what was
// written.
type webhook struct {
	URL   address `yaml:"url"`
	Token *secret `yaml:"token"` // Authorization: Bearer
	CA    string  `yaml:"ca"`    // file of certificates, PEM

	client *http.Client
	url    *url.URL
}

// address is a URL that is written plainly, or a secret, since some hold a key.
type address struct {
	plain  string
	secret *secret
}

// UnmarshalYAML reads either form.
func (a *address) UnmarshalYAML(n *yaml.Node) error {
	if n.Kind == yaml.ScalarNode {
		return n.Decode(&a.plain)
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if key := n.Content[i].Value; key != "file" && key != "env" {
			return fmt.Errorf("line %d: a URL is text, {file: PATH} or {env: NAME}; not %q", n.Content[i].Line, key)
		}
	}
	a.secret = new(secret)
	return n.Decode(a.secret)
}

func (w *webhook) prepare(folder string) error {
	text := w.URL.plain
	if w.URL.secret != nil {
		if err := w.URL.secret.read(folder); err != nil {
			return fmt.Errorf("webhook.url: %w", err)
		}
		text = w.URL.secret.value
	}
	if err := w.Token.read(folder); err != nil {
		return fmt.Errorf("webhook.token: %w", err)
	}
	u, err := url.Parse(text)
	if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" {
		return errors.New("webhook.url is no https URL") // it may be secret, and is not shown
	}
	if u.Scheme == "http" && !isLoopback(u.Hostname()) && (w.Token != nil || w.URL.secret != nil) {
		return errors.New("webhook: a secret would be sent in the clear; write https")
	}
	config, err := tlsConfig(folder, w.CA, u.Hostname())
	if err != nil {
		return fmt.Errorf("webhook.ca: %w", err)
	}
	w.url = u
	w.client = &http.Client{
		Timeout:       sendWithin,
		Transport:     &http.Transport{Proxy: http.ProxyFromEnvironment, TLSClientConfig: config, DisableKeepAlives: true, TLSHandshakeTimeout: sendWithin},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return nil
}

func isLoopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func (w *webhook) Name() string { return "webhook" }

func (w *webhook) Send(ctx context.Context, m Message) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url.String(), bytes.NewReader(m.Body))
	if err != nil {
		return fmt.Errorf("webhook of %s: no request", w.url.Host)
	}
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set("Idempotency-Key", m.ID)
	if w.Token != nil {
		request.Header.Set("Authorization", "Bearer "+w.Token.value)
	}
	response, err := w.client.Do(request)
	if err != nil {
		// The client's error quotes the URL, which may hold a key.
		if quoting := (*url.Error)(nil); errors.As(err, &quoting) {
			err = quoting.Err
		}
		return fmt.Errorf("webhook of %s: %w", w.url.Host, err)
	}
	defer response.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(response.Body, 64<<10)) // the status says all
	if response.StatusCode/100 != 2 {
		return fmt.Errorf("webhook of %s: %s", w.url.Host, response.Status)
	}
	return nil
}
