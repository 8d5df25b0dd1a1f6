import 'reflect-metadata';
import { RequestMethod } from '@nestjs/common';
import { METHOD_METADATA, PATH_METADATA } from '@nestjs/common/constants.js';
import { markOf } from './access/access.guard.js';
import type { Mark } from './access/need.js';
import { CONTROLLERS } from './app.module.js';
import { DashboardController } from './dashboard/dashboard.controller.js';
import { TrailController } from './dashboard/trail.controller.js';

export interface Route {
  readonly method: string;
  readonly path: string;
  /** What it asks of its caller; null is a mistake: nobody is let through. */
  readonly mark: Mark | null;
}

/** Every address of the gateway, in the order of their paths; docs/rights.md is made from it. */
export function listRoutes(): Route[] {
  return [...CONTROLLERS, DashboardController, TrailController]
    .flatMap(routesOf)
    .sort((a, b) => (`${a.path} ${a.method}` < `${b.path} ${b.method}` ? -1 : 1));
}

function routesOf(controller: { readonly prototype: object }): Route[] {
  const base = Reflect.getMetadata(PATH_METADATA, controller) as string;
  const { prototype } = controller;
  return Object.getOwnPropertyNames(prototype).flatMap((name) => {
    const handler: unknown = Reflect.get(prototype, name);
    if (name === 'constructor' || typeof handler !== 'function') return [];
    if (!Reflect.hasMetadata(PATH_METADATA, handler)) return [];
    const path = Reflect.getMetadata(PATH_METADATA, handler) as string;
    const method = Reflect.getMetadata(METHOD_METADATA, handler) as RequestMethod;
    return {
      method: String(RequestMethod[method]),
      path: joined(base, path),
      mark: markOf(handler),
    };
  });
}

function joined(base: string, path: string): string {
  const whole = `/${base}/${path}`.replace(/\/+/g, '/');
  return whole === '/' ? whole : whole.replace(/\/$/, '');
}
