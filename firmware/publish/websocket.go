// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"log/slog"
	"net/http"

	"github.com/coder/websocket"
)

// WebSocket serves /mqtt: MQTT 3.1.1 over WebSocket (subprotocol "mqtt") to pages of the box's own origin. A foreign
// origin is refused before the upgrade.
func WebSocket(b Broker, log *slog.Logger) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c, err := websocket.Accept(w, r, &websocket.AcceptOptions{Subprotocols: []string{"mqtt"}})
		if err != nil {
			log.DebugContext(r.Context(), "websocket refused", "err", err)
			return
		}
		c.SetReadLimit(maxPacket)
		if c.Subprotocol() != "mqtt" {
			_ = c.Close(websocket.StatusProtocolError, "speak the mqtt subprotocol")
			return
		}
		if err := b.Client(r.Context(), websocket.NetConn(r.Context(), c, websocket.MessageBinary)); err != nil {
			log.DebugContext(r.Context(), "screen's mqtt connection ended", "err", err)
		}
	})
}
