# The gateway and the worker are one image: `serve` (the default) or `work`, see docs/several-processes.md.

FROM node:20.20.2-bookworm AS build
WORKDIR /app
# Without the scripts of packages nothing but the SQLite binding is missing; it is built here, with the tools
# that stay behind in this stage.
COPY package.json package-lock.json ./
RUN npm ci --ignore-scripts --no-audit --no-fund && npm rebuild better-sqlite3 --foreground-scripts
COPY tsconfig.json tsconfig.build.json ./
COPY src ./src
RUN npm run build && npm prune --omit=dev --ignore-scripts --no-audit --no-fund

FROM node:20.20.2-bookworm-slim
ENV NODE_ENV=production \
    DRUMLINE_HOST=0.0.0.0 \
    DRUMLINE_PORT=7070 \
    DRUMLINE_DATA=/data \
    DRUMLINE_SITE_FOLDER=/app/mappings/northquay
WORKDIR /app
COPY --from=build /app/node_modules ./node_modules
COPY --from=build /app/dist ./dist
COPY package.json ./
COPY bin ./bin
COPY schemas ./schemas
# The example site (invented, simulated); a site mounts its own folder and names it.
COPY mappings ./mappings
RUN mkdir /data && chown node:node /data
USER node
VOLUME /data
EXPOSE 7070
# Live, not ready: a process that waits for its database connects again by itself and is not to be killed.
# It answers only once it has opened the database, so a start that is refused never becomes healthy.
HEALTHCHECK --interval=10s --timeout=3s --start-period=60s --retries=3 \
  CMD ["node", "-e", "fetch(`http://127.0.0.1:${process.env.DRUMLINE_HEALTH_PORT || process.env.DRUMLINE_PORT}/health/live`).then((answer) => process.exit(answer.ok ? 0 : 1), () => process.exit(1))"]
ENTRYPOINT ["node", "/app/bin/drumline.js"]
CMD ["serve"]
